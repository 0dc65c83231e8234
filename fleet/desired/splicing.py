"""Set or remove one member of a YAML text, and leave every other character of it as it was.

A round trip through a YAML library keeps comments, but not what people do with spaces: columns that are lined up,
quotes, the place of a comment. So such a library writes what is new (`notation`), which is then put into the text where
the parser's marks say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fleet.desired.nodes import Trail, document
from fleet.desired.notation import INDENT, WIDTH, Plain, block, fits, flow
from fleet.desired.spans import Member, Span, Unsuited, found


def with_members(text: str, entries: Mapping[Trail, Mapping[str, Plain]], order: Sequence[str] = ()) -> str:
    """The text with members set in mappings by their paths; `None` takes a member out. Raises `Unsuited`.

    An entry on lines of its own is edited as a text of its own, so that a long file is not read for each member.
    """
    cuts: list[tuple[int, int, Trail]] = []
    for path in entries:
        spans, members = found(text, path)
        if len(members) == len(path) and not any(span.flow for span in spans[:-1]):
            start, end = _line_start(text, members[-1].key.start), _line_end(text, members[-1].value.end)
            own_lines = text[start : members[-1].key.start].isspace() and text.endswith("\n", start, end)
            if own_lines and not document(text[start:end]).problems:  # one with an alias is no text by itself
                cuts.append((start, end, path))
    alone = {path for _, _, path in cuts}
    for start, end, path in sorted(cuts, reverse=True):
        try:
            part = _each(text[start:end], path[-1:], entries[path], order)
        except Unsuited as error:
            raise Unsuited(error.what, start + error.at) from None
        text = text[:start] + part + text[end:]
    for path in entries:
        if path not in alone:
            text = _each(text, path, entries[path], order)
    return text


def with_member(text: str, path: Trail, value: Plain, order: Sequence[str] = ()) -> str:
    """The text with a value at a path of mappings; those that are missing are made.

    A new member is written last, or at the top where `order` puts it among the others. Raises `Unsuited`.
    """
    spans, members = found(text, path)
    depth = len(members)
    if depth == len(path):
        return _replaced(text, spans, members[-1], value)
    for name in reversed(path[depth + 1 :]):
        value = {str(name): value}
    key, parent = str(path[depth]), spans[-1]
    if depth and (parent.blank or (parent.mapping and not parent.members())):
        return _replaced(text, spans, members[-1], {key: value})
    if not parent.mapping or not parent.members():
        raise Unsuited("no mapping stands here", parent.start)
    if not parent.flow:
        return _new_lines(text, parent, key, value, order if not depth else ())
    end = parent.members()[-1].value.end
    grown = _spliced(text, end, end, f", {flow(key)}: {flow(value)}")
    if _too_wide(grown, spans):
        return with_member(_unfolded(text, members[-1]), path, value)
    return grown


def without_member(text: str, path: Trail) -> str:
    """The text without the member at a path; a mapping that was left empty is written `{}`. Raises `Unsuited`."""
    spans, members = found(text, path)
    if len(members) < len(path):
        return text
    parent, gone = spans[-2], members[-1]
    siblings = parent.members()
    if len(siblings) == 1 and len(members) > 1:
        return _replaced(text, spans[:-1], members[-2], {})
    if not parent.flow:
        return _without_lines(text, gone.key.start, gone.value.end)
    number = next(i for i, member in enumerate(siblings) if member.name == gone.name)
    if number + 1 < len(siblings):
        return _spliced(text, gone.key.start, siblings[number + 1].key.start, "")
    return _spliced(text, siblings[number - 1].value.end if number else gone.key.start, gone.value.end, "")


def _each(text: str, path: Trail, members: Mapping[str, Plain], order: Sequence[str]) -> str:
    for name, value in members.items():
        below = (*path, name)
        text = without_member(text, below) if value is None else with_member(text, below, value, order)
    return text


def _replaced(text: str, spans: Sequence[Span], member: Member, value: Plain) -> str:
    """The text with another value of a member, whose own span ends `spans`; its style is kept where that fits."""
    old, colon = member.value, member.colon(text)
    filled = _filled(value)
    if any(span.flow for span in spans[:-1]):
        return _spliced(text, old.start, old.end, f"{' ' if old.blank else ''}{flow(value)}")
    if member.inline:
        section = member.key.column == 0 and filled is not None and (old.blank or old.end - old.start == 2)
        if not section and fits(value, old.column):
            return _spliced(text, old.start, old.end, f"{' ' if old.blank else ''}{flow(value)}")
        rest = text if old.blank else _spliced(text, _back_over_blanks(text, old.start), old.end, "")
        if filled is None:
            return _spliced(rest, colon, colon, f" {flow(value)}")
        after = _line_end(rest, colon)
        return _spliced(rest, after, after, _line_feed(rest, after) + block(filled, member.key.column + INDENT))
    if filled is not None and not old.flow and old.collection:
        return _spliced(text, old.start, old.end, block(filled, old.column).strip())
    rest = _without_lines(text, old.start, old.end)
    return _spliced(rest, colon, colon, f" {flow(value)}")


def _new_lines(text: str, parent: Span, key: str, value: Plain, order: Sequence[str]) -> str:
    """The text with one more member in a mapping that is written as a block."""
    members = parent.members()
    column = members[0].key.column
    before = members[-1]
    if key in order:
        ahead = [m for m in members if m.name in order and order.index(m.name) < order.index(key)]
        before = ahead[-1] if ahead else before
    at = _line_end(text, before.value.end)
    head = f"{flow(key)}: "
    if isinstance(value, Mapping):
        head = head.ljust(_lined_up(members) - column)
    filled = _filled(value)
    if filled is not None and (not fits(value, column + len(head)) or _prefers_block(members, value)):
        lines = f"{' ' * column}{flow(key)}:\n{block(filled, column + INDENT)}"
    else:
        lines = f"{' ' * column}{head}{flow(value)}\n"
    return _spliced(text, at, at, _line_feed(text, at) + lines)


def _filled(value: Plain) -> Mapping[str, Plain] | Sequence[Plain] | None:
    """A mapping or list that holds something; `None` for anything else."""
    return value if value and isinstance(value, Mapping | Sequence) and not isinstance(value, str) else None


def _prefers_block(members: Sequence[Member], value: Plain) -> bool:
    """Whether all mappings beside it are blocks, as a new one should then be."""
    mappings = [member.value for member in members if member.value.mapping]
    return isinstance(value, Mapping) and bool(mappings) and not any(m.flow for m in mappings)


def _lined_up(members: Sequence[Member]) -> int:
    """The column at which the values in braces begin, where several are lined up; 0 otherwise."""
    braces = [m for m in members if m.value.mapping and m.value.flow and m.inline]
    columns = {m.value.column for m in braces}
    return columns.pop() if len(columns) == 1 and len({len(m.name) for m in braces}) > 1 else 0


def _too_wide(text: str, spans: Sequence[Span]) -> bool:
    """Whether the line of a mapping in braces is now so long that the mapping is better written as a block."""
    start = spans[-1].start
    line = text[_line_start(text, start) : _line_end(text, start)].rstrip("\r\n")
    return len(spans) > 1 and len(line) > WIDTH and not any(span.flow for span in spans[:-1])


def _unfolded(text: str, member: Member) -> str:
    """The text with a mapping in braces, all on one line, written as a block: each member as it stands."""
    value = member.value
    if "\n" in text[value.start : value.end] or not member.inline:
        raise Unsuited("a mapping in braces over several lines stands here", value.start)
    lead = " " * (member.key.column + INDENT)
    lines = "".join(f"{lead}{text[m.key.start : m.value.end].rstrip()}\n" for m in value.members())
    rest = _spliced(text, _back_over_blanks(text, value.start), value.end, "")
    after = _line_end(rest, member.key.end)
    return _spliced(rest, after, after, _line_feed(rest, after) + lines)


def _without_lines(text: str, start: int, end: int) -> str:
    """The text without the lines from one place to another, comments beside what stood there included."""
    first = _line_start(text, start)
    if text[first:start].strip():
        raise Unsuited("something else stands on the same line", first)
    return _spliced(text, first, _line_end(text, end), "")


def _spliced(text: str, start: int, end: int, new: str) -> str:
    """The text with a part replaced; line feeds become those of the text."""
    line_end = "\r\n" if "\r\n" in text else "\n"
    return text[:start] + new.replace("\n", line_end) + text[end:]


def _line_start(text: str, at: int) -> int:
    return text.rfind("\n", 0, at) + 1


def _line_end(text: str, at: int) -> int:
    """Just past the line feed of a line, or the end of the text."""
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def _line_feed(text: str, at: int) -> str:
    """The line feed that the last line of a text may lack, where something is to follow it."""
    return "\n" if at == len(text) and not text.endswith("\n") else ""


def _back_over_blanks(text: str, at: int) -> int:
    while text[at - 1] in " \t":
        at -= 1
    return at
