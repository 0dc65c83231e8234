"""A systemd unit for the daemon, for the system or for one user.

Sources: systemd.exec(5), systemd.service(5), systemd.syntax(7) on quoting.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

UnitKind = Literal["system", "user"]
SYSTEM_HOME = "/var/lib/fleet"

_PLAIN = re.compile(r"[A-Za-z0-9_@:,./=+-]+")

_SYSTEM = """\
{state}
UMask=0077
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
ProtectProc=invisible
CapabilityBoundingSet=
RestrictNamespaces=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
"""
_USER = "UMask=0077\n"
"""A user's manager has no rights to set up the rest: what it cannot do would keep the unit from starting."""

_UNIT = """\
[Unit]
Description=Keeps a venue's networked loudspeakers at their desired state
{order}StartLimitIntervalSec=300
StartLimitBurst=10

[Service]
Type=simple
ExecStart={command}
Restart=on-failure
RestartSec=5
TimeoutStopSec=90
{hardening}NoNewPrivileges=yes
LockPersonality=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK

[Install]
WantedBy={target}
"""


def unit(kind: UnitKind, interpreter: str, home: Path | None, user: str, options: Sequence[str]) -> str:
    """The text of a unit that runs `fleet daemon` by this interpreter with these options.

    Without a `home`, the system's daemon has a user and a state folder of its own that systemd makes, and a user's
    daemon its usual place. In another folder the system's daemon runs as `user`, who owns it.
    """
    words = [interpreter, "-m", "fleet.app", "daemon"]
    if kind == "system" and home is None:
        words += ["--home", SYSTEM_HOME]
    elif home is not None:
        words += ["--home", str(home.absolute())]
    words += options
    if home is None or str(home) == SYSTEM_HOME:
        state = "DynamicUser=yes\nStateDirectory=fleet\nStateDirectoryMode=0700"
    else:
        state = f"User={user}\nReadWritePaths={quoted(str(home.absolute()))}"
    system = kind == "system"
    return _UNIT.format(
        order="Wants=network-online.target\nAfter=network-online.target\n" if system else "",
        command=" ".join(quoted(word) for word in words),
        hardening=_SYSTEM.format(state=state) if system else _USER,
        target="multi-user.target" if system else "default.target",
    )


def quoted(word: str) -> str:
    """A word as systemd takes it back whole: no specifier, no variable, no second word."""
    safe = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    safe = safe.replace("\n", "\\n").replace("\t", "\\t")
    return safe if _PLAIN.fullmatch(safe) else f'"{safe}"'
