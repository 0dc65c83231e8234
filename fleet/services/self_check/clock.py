"""Is the machine's time zone known, and does the network keep its clock."""

from __future__ import annotations

import asyncio
import os
import shutil
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fleet.services.self_check.result import Result, not_checked, ok, trouble, warning

WITHIN_S = 5.0
LOCAL_ZONE = Path("/etc/localtime")
ZONES = "zoneinfo/"


def check_zone() -> Result:
    """The zone that the environment or the system names, which shows in times for people."""
    named = os.environ.get("TZ", "").removeprefix(":")
    target = str(LOCAL_ZONE.resolve())
    zone = named or (target.partition(ZONES)[2] if LOCAL_ZONE.exists() and ZONES in target else "")
    if not zone:
        return not_checked("time zone", "the system does not say its zone by name", "timedatectl set-timezone ZONE")
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return trouble("time zone", f"the zone {zone!r} is not known", "timedatectl set-timezone ZONE, or unset TZ.")
    return ok("time zone", zone)


async def check_synchronised() -> Result:
    """Whether the clock is kept by the network, where `timedatectl` can tell."""
    check = "clock synchronised"
    program = shutil.which("timedatectl")
    if program is None:
        return not_checked(check, "there is no timedatectl to ask")
    asked = await asyncio.create_subprocess_exec(
        *(program, "show", "--property=NTPSynchronized", "--value"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with asyncio.timeout(WITHIN_S):
            said, _ = await asked.communicate()
    except TimeoutError:
        asked.kill()
        await asked.wait()
        return not_checked(check, "timedatectl does not answer")
    answer = said.decode(errors="replace").strip()
    if answer == "yes":
        return ok(check, "the network keeps it (NTP)")
    if answer == "no":
        return warning(check, "nothing keeps the clock", "timedatectl set-ntp true")
    return not_checked(check, "timedatectl does not tell here")
