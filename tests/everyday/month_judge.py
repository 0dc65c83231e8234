"""What the month expects to be told, and each notice judged by it: right, or wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from fleet.model.notice import Notice, NoticeKind


@dataclass
class Expected:
    """A notice that an event leads to, between two moments; at most `most` of them, one at least where it `must`."""

    event: str
    kind: NoticeKind
    room: str
    begin: datetime
    end: datetime
    positions: frozenset[str] = frozenset()
    """Those of which it names at least one; empty for any."""
    says: str = ""
    most: int = 1
    must: bool = True
    met: int = 0

    def covers(self, notice: Notice) -> bool:
        """Whether the notice is of this event."""
        return (
            notice.kind == self.kind
            and (not self.room or notice.room == self.room)
            and self.begin <= notice.at <= self.end
            and (not self.positions or bool(self.positions & set(notice.positions)))
            and self.says in f"{notice.words} {notice.cause}"
        )


@dataclass
class Judge:
    """Collects what is expected, and judges."""

    expected: list[Expected] = field(default_factory=list)

    def expect(
        self,
        event: str,
        kind: NoticeKind,
        room: str,
        begin: datetime,
        within: timedelta,
        *,
        positions: Sequence[str] = (),
        says: str = "",
        most: int = 1,
        must: bool = True,
    ) -> None:
        """Expect a notice of an event."""
        self.expected.append(
            Expected(
                event=event,
                kind=kind,
                room=room,
                begin=begin,
                end=begin + within,
                positions=frozenset(positions),
                says=says,
                most=most,
                must=must,
            )
        )

    def judge(self, notices: Sequence[Notice]) -> Verdict:
        """Each notice to the first expectation that covers it and has room for it; what is left over is wrong."""
        wrong, right = [], Counter[str]()
        for notice in notices:
            found = next((e for e in self.expected if e.met < e.most and e.covers(notice)), None)
            if found is None:
                wrong.append(notice)
            else:
                found.met += 1
                right[notice.kind] += 1
        return Verdict(
            right=right, wrong=wrong, missed=[e for e in self.expected if e.must and not e.met], given=len(notices)
        )


@dataclass
class Verdict:
    """How the notices of the month were judged."""

    right: Counter[str]
    wrong: list[Notice]
    missed: list[Expected]
    given: int

    def lines(self) -> list[str]:
        """The same for people."""
        kinds = ", ".join(f"{kind} {count}" for kind, count in sorted(self.right.items()))
        told = [f"{self.given} notices: {self.right.total()} right ({kinds}), {len(self.wrong)} wrong; "]
        told[0] += f"{len(self.missed)} expected ones were missed"
        told += [f"  wrong: {n.at:%d %H:%M:%S} {n.kind}: {n.words}" for n in self.wrong]
        told += [
            f"  missed: {e.begin:%d %H:%M:%S} {e.kind} of {e.event} in {e.room or 'any room'}" for e in self.missed
        ]
        return told
