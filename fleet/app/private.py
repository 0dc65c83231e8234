"""What a daemon does for its secrets when it starts: no child inherits them."""

from __future__ import annotations

import os

from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.faces.notices.config import take_secrets
from fleet.faces.secrets import is_secret, without_secrets
from fleet.store.postgresql import LIBPQ_VARIABLE


def keep_private(config: DaemonConfig) -> None:
    """Take secrets out of the environment, once they are settled and the database is open."""
    take_secrets(config.notices)
    for name, value in list(os.environ.items()):
        ours = name.startswith("FLEET_") and (without_secrets(value) != value or is_secret(name.lower()))
        if ours or name == LIBPQ_VARIABLE:
            del os.environ[name]
