"""Is the program installed as it is meant to be: Python and the packages it is built on."""

from __future__ import annotations

import platform
from importlib import metadata

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet

from fleet.services.self_check.result import Result, not_checked, ok, trouble

PACKAGE = "venue-fleet"


def check_installation(*, extras: tuple[str, ...]) -> list[Result]:
    """Python and every package within the bounds that this release names; `extras` are those that are in use."""
    try:
        about = metadata.metadata(PACKAGE)
        wanted = metadata.requires(PACKAGE) or []
    except metadata.PackageNotFoundError:
        words = f"the package {PACKAGE} is not installed here; it runs from its source"
        return [not_checked("python", words), not_checked("packages", words, f"pip install {PACKAGE}")]
    python = about["Requires-Python"]
    return [check_python(python, platform.python_version()), check_packages(wanted, extras)]


def check_python(wanted: str, found: str) -> Result:
    """Python against a version specifier (PEP 440)."""
    if SpecifierSet(wanted).contains(found, prereleases=True):
        return ok("python", f"Python {found}")
    return trouble("python", f"Python {found} runs, {wanted} is needed", "Install Fleet with such a Python.")


def check_packages(wanted: list[str], extras: tuple[str, ...]) -> Result:
    """Installed packages against requirements (PEP 508)."""
    wrong, count = [], 0
    for text in wanted:
        requirement = Requirement(text)
        if requirement.marker and not any(requirement.marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            continue
        count += 1
        try:
            found = metadata.version(requirement.name)
        except metadata.PackageNotFoundError:
            wrong.append(f"{requirement.name} is missing")
            continue
        if not requirement.specifier.contains(found, prereleases=True):
            wrong.append(f"{requirement.name} is {found}, wanted {requirement.specifier}")
    if wrong:
        return trouble("packages", "; ".join(wrong), f"pip install --upgrade {PACKAGE}")
    return ok("packages", f"{count} packages are installed as wanted")
