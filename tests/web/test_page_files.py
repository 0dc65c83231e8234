"""The page's files as they are served: whose they are, with which types, and nothing beside them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path

import httpx
import pytest

from fleet.faces.api.page import TYPES, WEB, files_of
from fleet.faces.cli.client import find
from tests.faces.daemon_in_process import a_daemon


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    home = tmp_path_factory.mktemp("page") / "home"
    with a_daemon(home) as daemon, httpx.Client(base_url=find(daemon.home).url, trust_env=False) as found:
        yield found


def test_every_file_of_the_page_is_served_with_its_type(client: httpx.Client) -> None:
    names = [path.relative_to(WEB).as_posix() for path in WEB.rglob("*") if path.is_file()]
    assert len(names) > 15
    assert {Path(name).suffix for name in names} <= set(TYPES)
    for name in names:
        answer = client.get(f"/web/{name}")
        assert (answer.status_code, answer.content) == (200, (WEB / name).read_bytes())
        assert answer.headers["content-type"] == TYPES[Path(name).suffix]
        assert answer.headers["cache-control"] == "no-cache"


@pytest.mark.parametrize("path", ["/", "/rooms", "/rooms/weir-hall", "/walk", "/no/such/page", "/sign-in", "/v1x"])
def test_every_other_path_is_the_page_itself(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert answer.content == (WEB / "index.html").read_bytes()


def test_what_a_browser_has_is_not_sent_again(client: httpx.Client) -> None:
    etag = client.get("/web/style.css").headers["etag"]
    answer = client.get("/web/style.css", headers={"If-None-Match": f'"other", W/{etag}'})
    assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", etag)
    head = client.head("/web/style.css")
    assert (head.status_code, head.content) == (200, b"")


@pytest.mark.parametrize(
    "path",
    [
        "/web/../api/page.py",
        "/web/%2e%2e/api/page.py",
        "/web/..%2fapi%2fpage.py",
        "/web//etc/passwd",
        "/web/%2fetc%2fpasswd",
        "/web/pages",
        "/web/",
        "/web/nothing.js",
        "/web/style.css%00.js",
    ],
)
def test_nothing_else_can_be_had(client: httpx.Client, path: str) -> None:
    raw = HTTPConnection(client.base_url.host, client.base_url.port or 0, timeout=20)
    raw.request("GET", path)  # as it stands, which httpx would put right
    assert raw.getresponse().status == 404
    raw.close()


def test_the_api_answers_for_itself(client: httpx.Client) -> None:
    assert client.get("/v1/nothing").status_code in {401, 404}
    assert client.get("/v1").headers["content-type"] == "application/problem+json"
    assert client.post("/rooms").status_code in {404, 405}
    assert client.get("/metrics").status_code == 401


def test_the_policy_lets_nothing_in_from_elsewhere(client: httpx.Client) -> None:
    policy = client.get("/rooms").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_the_page_itself_holds_no_script_no_style_and_no_address() -> None:
    document = (WEB / "index.html").read_text(encoding="utf-8")
    assert re.findall(r"<script(?![^>]*\bsrc=)[^>]*>", document) == []
    assert re.findall(r"<style|\sstyle=|\son[a-z]+=|javascript:", document) == []
    assert 'lang="en"' in document
    for name, file in files_of(WEB).items():
        text = file.content.decode("utf-8")
        addresses = set(re.findall(r"https?://[^\s\"'`)]+", text)) - {"http://www.w3.org/2000/svg"}
        assert addresses == set(), name
        if name.endswith(".js"):
            for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function"):
                assert way not in text, f"{name}: {way}"
