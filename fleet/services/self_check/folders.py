"""Can the daemon live in its home, is the home its owner's alone, and is there room on the disk."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from pathlib import Path

from fleet.services.self_check.result import Result, not_checked, ok, trouble

OTHERS = 0o077
MB = 1_000_000


def check_home(home: Path) -> list[Result]:
    """The folder: there, writable, owned, closed to others, and so are the files in it."""
    if not home.exists() and not home.is_symlink():
        return [not_checked("home", f"{home} is not there yet", "A daemon makes it at its first start.")]
    if not home.is_dir():
        return [trouble("home", f"{home} is no folder", "Move it away, or name another folder with --home.")]
    try:
        with tempfile.TemporaryFile(dir=home):
            pass
    except OSError as error:
        remedy = "Make it writable for the daemon's user, or name another with --home."
        return [trouble("home", f"{home} cannot be written: {error.strerror}", remedy)]
    about = home.stat()
    if about.st_mode & OTHERS:
        mode = f"{stat.S_IMODE(about.st_mode):o}"
        return [trouble("home", f"others may look into {home} (mode {mode})", f"chmod 700 {home}"), check_files(home)]
    if about.st_uid != os.getuid():
        words = f"{home} belongs to user {about.st_uid}, and user {os.getuid()} asks"
        return [trouble("home", words, "Run the daemon and its commands as one user."), check_files(home)]
    return [ok("home", f"{home} can be written, and is its owner's alone"), check_files(home)]


def check_files(home: Path) -> Result:
    """Files with tokens, keys, passwords and the log are their owner's alone. The database is under the folder's."""
    files = [f for f in sorted(home.iterdir()) if f.is_file() and not f.is_symlink() and ".db" not in f.suffixes]
    open_ = [f for f in files if ".db" not in f.name and f.stat().st_mode & OTHERS]
    if open_:
        names = ", ".join(f.name for f in open_)
        return trouble("files", f"others may read {names}", f"chmod 600 {' '.join(str(f) for f in open_)}")
    return ok("files", f"{len(files)} files of the home are their owner's alone")


def check_space(what: str, folder: Path, least_mb: int) -> Result:
    """Free space where a folder is, or would be."""
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    try:
        free_mb = shutil.disk_usage(there).free // MB
    except OSError as error:
        return not_checked(f"space of {what}", f"{there} does not tell: {error.strerror}")
    if free_mb < least_mb:
        words = f"{free_mb} MB are free at {there}, {least_mb} MB are wanted"
        return trouble(f"space of {what}", words, "Free some, or lower `least_free_mb`.")
    return ok(f"space of {what}", f"{free_mb} MB are free at {there}")
