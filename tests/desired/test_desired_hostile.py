"""Any mapping of texts gives a version or complaints, never anything else."""

import string
import unicodedata

from hypothesis import example, given, settings
from hypothesis import strategies as st

from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.errors import BadFiles, Complaint

VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\ncurves: {tone: []}\n"
VOCABULARY = (
    "format room name positions groups defaults curves house_curve device level_db eq house between time_align "
    "to left tone slots slot tolerances line loudspeakers trim_db role high_pass none life_safety true shape bell "
    "<range> [key] * << 1 0412 .inf -6dB ~"
)
WORDS = VOCABULARY.split()
LEAVES = (
    st.sampled_from(WORDS) | st.integers(-3, 10**20) | st.floats() | st.booleans() | st.none() | st.text(max_size=4)
)
DATA = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS) | st.text(max_size=3), inner, max_size=4)
    ),
    max_leaves=20,
)
SYNTAX = st.text(
    st.sampled_from(
        "{}[]:,-?&*!|>'\"%#@` \t\n" + string.ascii_lowercase[:4] + "01.\u00e9\u2028\x00\x85\ud800\U0001f600"
    ),
    max_size=60,
)


def flow(data: object) -> str:
    """Data as YAML flow text, quoted where it is text that needs it."""
    if isinstance(data, dict):
        return "{" + ", ".join(f"{flow(key)}: {flow(value)}" for key, value in data.items()) + "}"
    if isinstance(data, list):
        return "[" + ", ".join(map(flow, data)) + "]"
    if isinstance(data, str) and data not in WORDS:
        return '"' + "".join(f"\\U{ord(c):08x}" for c in data) + '"'
    return str(data)


def outcome(files: dict[str, str]) -> None:
    complaints: tuple[Complaint, ...] = ()
    try:
        assert isinstance(load(files), Version)
    except BadFiles as error:
        complaints = error.complaints
        assert complaints  # both outcomes are right; this one must say something
    assert list(complaints) == sorted(set(complaints))
    for complaint in complaints:
        assert complaint.line >= 1
        assert complaint.column >= 1
        assert not any(unicodedata.category(character)[0] == "C" for character in str(complaint))


@given(
    st.dictionaries(
        st.sampled_from(["venue.yaml", "rooms/a.yaml", "rooms/b.yaml"]) | st.text(max_size=8), SYNTAX, max_size=3
    )
)
@example({"rooms/a.yaml\n": "x"})
@example({"venue.yaml": VENUE, "rooms/\u202e.yaml": "format: 1"})
@settings(max_examples=300, deadline=None)
def test_any_text(files):
    outcome(files)


@given(room=st.dictionaries(st.sampled_from(WORDS), DATA, max_size=6), venue=DATA)
@settings(max_examples=300, deadline=None)
def test_any_structure(room, venue):
    outcome({"venue.yaml": VENUE, "rooms/a.yaml": flow({"format": 1, "room": "left", **room})})
    outcome({"venue.yaml": flow(venue), "rooms/a.yaml": flow(room)})


@given(
    position=st.dictionaries(st.sampled_from(WORDS), DATA, max_size=5),
    group=st.dictionaries(st.sampled_from(WORDS), DATA, max_size=5),
)
@settings(max_examples=300, deadline=None)
def test_any_position_and_group(position, group):
    part = {"device": "box-1", "groups": ["tone"], **position}
    body = {"format": 1, "room": "hall", "groups": {"tone": group}, "positions": {"left": part, "right": part}}
    outcome({"venue.yaml": VENUE, "rooms/a.yaml": flow(body)})


@given(st.binary(max_size=60))
@settings(max_examples=100, deadline=None)
def test_any_bytes(content):
    outcome({"venue.yaml": VENUE, "rooms/a.yaml": content.decode("utf-8", "surrogateescape")})
