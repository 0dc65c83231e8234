"""Where the parts of a YAML text lie, counted in characters, from the parser's own marks."""

from __future__ import annotations

from dataclasses import dataclass

import yaml

from fleet.desired.nodes import Trail, document


class Unsuited(Exception):
    """A text is written in a way that cannot be edited in place; `at` is where, in characters."""

    def __init__(self, what: str, at: int) -> None:
        super().__init__(what)
        self.what = what
        self.at = at


@dataclass(frozen=True, slots=True)
class Span:
    """A value of the text and the members it has, if it is a mapping."""

    node: yaml.Node

    @property
    def start(self) -> int:
        """Where it begins."""
        return int(self.node.start_mark.index)

    @property
    def end(self) -> int:
        """Where its last character has passed, without the comment and the blank lines after it."""
        node = self.node
        if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
            last = node.value[-1]
            return Span(last[1] if isinstance(last, tuple) else last).end
        if isinstance(node, yaml.ScalarNode) and node.style in ("|", ">"):
            raise Unsuited("text over several lines (`|` or `>`) stands here", self.start)
        return int(node.end_mark.index)

    @property
    def column(self) -> int:
        """Column of its beginning, from 0."""
        return int(self.node.start_mark.column)

    @property
    def line(self) -> int:
        """Line of its beginning, from 0."""
        return int(self.node.start_mark.line)

    @property
    def mapping(self) -> bool:
        """True for a mapping."""
        return isinstance(self.node, yaml.MappingNode)

    @property
    def collection(self) -> bool:
        """True for a mapping or a list."""
        return isinstance(self.node, yaml.CollectionNode)

    @property
    def flow(self) -> bool:
        """True for `{…}` and `[…]`."""
        return isinstance(self.node, yaml.CollectionNode) and bool(self.node.flow_style)

    @property
    def blank(self) -> bool:
        """True where nothing is written."""
        return isinstance(self.node, yaml.ScalarNode) and self.start == int(self.node.end_mark.index)

    def members(self) -> list[Member]:
        """Keys and values in the order in which they are written; none where it is no mapping."""
        if not isinstance(self.node, yaml.MappingNode):
            return []
        members = [Member(Span(key), Span(value)) for key, value in self.node.value]
        for number, member in enumerate(members):
            following = members[number + 1].key.start if number + 1 < len(members) else None
            if member.value.start < member.key.end or (following is not None and member.value.start > following):
                raise Unsuited("an alias (`*`) stands here; write out what it means", member.key.start)
        return members


@dataclass(frozen=True, slots=True)
class Member:
    """One entry of a mapping."""

    key: Span
    value: Span

    @property
    def name(self) -> str:
        """The key's text."""
        return str(self.key.node.value)

    @property
    def inline(self) -> bool:
        """True where the value begins on the key's own line."""
        return self.value.line == self.key.line

    def colon(self, text: str) -> int:
        """Where the text after the key's colon begins."""
        at = self.key.end
        while text[at : at + 1] in (" ", "\t"):
            at += 1
        if text[at : at + 1] != ":":
            raise Unsuited("a key without its colon beside it stands here", self.key.start)
        return at + 1


def root_of(text: str) -> Span:
    """The whole of a text that reads as a mapping."""
    root = document(text).root
    if not isinstance(root, yaml.MappingNode):
        raise Unsuited("this is no mapping", 0)
    return Span(root)


def found(text: str, path: Trail) -> tuple[list[Span], list[Member]]:
    """The mappings and members along a path, as far as it is written: (root, …), (member of root, …)."""
    spans, members = [root_of(text)], []
    for name in path:
        member = next((m for m in spans[-1].members() if m.name == name), None)
        if member is None:
            break
        members.append(member)
        spans.append(member.value)
    return spans, members
