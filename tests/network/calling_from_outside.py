"""What a browser elsewhere would see of a daemon: run on another machine, prints one JSON document.

`python calling_from_outside.py ADDRESS PORT LOOPBACK_PORT CERTIFICATE TOKEN`
"""

from __future__ import annotations

import json
import socket
import ssl
import sys

import httpx


def main() -> None:
    address, port, loopback_port, certificate, token = sys.argv[1:]
    url = f"https://{address}:{port}"
    trusting = ssl.create_default_context(cafile=certificate)
    bearer = {"Authorization": f"Bearer {token}"}
    seen: dict[str, object] = {}
    with httpx.Client(base_url=url, verify=trusting, trust_env=False, timeout=20) as client:
        seen["page"] = client.get("/").text[:15]
        seen["without a token"] = client.get("/v1/rooms").status_code
        seen["with a wrong one"] = client.get("/v1/rooms", headers={"Authorization": "Bearer fleet_x"}).status_code
        seen["with one"] = client.get("/v1/access", headers=bearer).status_code
        signed = client.post("/v1/session", json={"token": token}, headers={"Origin": url})
        seen["signed in"] = signed.status_code
        seen["cookie"] = signed.headers.get("set-cookie", "").partition("; ")[2]
        headers = {"Fleet-CSRF": signed.json()["csrf"], "Origin": url}
        seen["ends others"] = client.post("/v1/sessions/end", json={}, headers=headers).status_code
        headers["Origin"] = "https://elsewhere.example"
        seen["ends others from elsewhere"] = client.post("/v1/sessions/end", json={}, headers=headers).status_code
        for name in ("fleet.example", "elsewhere.example", "127.0.0.1"):
            seen[f"as {name}"] = client.get("/v1/access", headers={**bearer, "Host": f"{name}:{port}"}).status_code
    for name, context in (("TLS 1.1", ssl.TLSVersion.TLSv1_1), ("untrusted", None)):
        strict = ssl.create_default_context(cafile=certificate if context else None)
        if context is not None:
            strict.set_ciphers("ALL:@SECLEVEL=0")
            strict.minimum_version = ssl.TLSVersion.TLSv1
            strict.maximum_version = context
        try:
            httpx.get(url, verify=strict, trust_env=False, timeout=20)
            seen[name] = "served"
        except httpx.HTTPError as error:
            seen[name] = type(error).__name__
    try:
        seen["without TLS"] = httpx.get(f"http://{address}:{port}/v1/rooms", trust_env=False, timeout=20).status_code
    except httpx.HTTPError as error:
        seen["without TLS"] = type(error).__name__
    try:
        socket.create_connection((address, int(loopback_port)), timeout=20).close()
        seen["the commands' port"] = "open"
    except ConnectionRefusedError:
        seen["the commands' port"] = "closed"
    sys.stdout.write(json.dumps(seen))


main()
