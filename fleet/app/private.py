"""What a daemon does for its secrets when it starts: no child inherits them, and it says where others can read one."""

from __future__ import annotations

import logging
import os

from fleet.faces.cli.configuration import OPTION, in_force, variable
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.faces.notices.config import take_secrets
from fleet.faces.secrets import is_secret, without_secrets

log = logging.getLogger("fleet")


def keep_private(config: DaemonConfig) -> None:
    """Take secrets out of the environment, once they are settled; warn of those in the arguments of this process."""
    take_secrets(config.notices)
    for name, value in list(os.environ.items()):
        if name.startswith("FLEET_") and (without_secrets(value) != value or is_secret(name.lower())):
            del os.environ[name]
    for setting in in_force(config):
        if setting.source == OPTION and isinstance(setting.value, str) and setting.told != setting.value:
            log.warning(
                "--%s holds a password, and every user of this machine can read the arguments of its processes: "
                "write it into config.toml in the home, or give it as %s",
                setting.name.replace("_", "-"),
                variable(setting.name),
            )
