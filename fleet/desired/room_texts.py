"""The files that say what one room is to be, out of all the files of a venue folder."""

from __future__ import annotations

import re
from collections.abc import Mapping

from fleet.desired.folder import VENUE_FILE


def room_texts(files: Mapping[str, str], room: str) -> dict[str, str]:
    """The venue's file and the room's own. All files, where none names the room in a line of its own."""
    names_it = re.compile(rf"^room:\s*['\"]?{re.escape(room)}['\"]?\s*(#.*)?$", re.MULTILINE)
    own = {path: text for path, text in files.items() if path != VENUE_FILE and names_it.search(text)}
    if not own:
        return dict(files)
    return {**own, **{path: text for path, text in files.items() if path == VENUE_FILE}}
