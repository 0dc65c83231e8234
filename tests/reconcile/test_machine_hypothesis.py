"""The change as hypothesis plays with it: any order of messages, mishaps, persons and dying daemons; then shrunk.

`FLEET_NIGHTLY=1` plays 10,000 times, from a seed of its own that is printed; `FLEET_SEED` plays that one again.
"""

from __future__ import annotations

import os
import random
import time
from collections import Counter

from change_world import DECLARED, World, judge, some_world
from hypothesis import HealthCheck, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from fleet.model.change import ChangeState

NIGHTLY = os.environ.get("FLEET_NIGHTLY") == "1"
SEED = int(os.environ.get("FLEET_SEED", str(time.time_ns() % 1_000_000) if NIGHTLY else "1"))
PLAYS = 10_000 if NIGHTLY else 400

S = ChangeState
BEGINNINGS = (None, S.PLANNED, S.STAGING, *(S.COMMITTING, S.VERIFYING, S.ON_TRIAL, S.KEEPING, S.ROLLING_BACK) * 3)
"""How far a change has come when things begin to go wrong; before the first daemon, where it is none."""
NUMBERS = st.integers(0, 7)
SECONDS = st.sampled_from([0.1, 0.7, 2.0, 11.0, 45.0, 400.0])
CLOCK_MOVES_S = st.sampled_from([0.0, 3600.0, -3600.0])
FAULTS = st.sampled_from(["", "", "busy", "does nothing", "does something else"])

observed: Counter = Counter()
"""Transitions of all plays."""


def running(machine) -> bool:
    """A daemon runs and has not come to an end."""
    return machine.world.daemon is not None and not machine.world.daemon.ended


def busy(machine) -> bool:
    """Requests are on their way."""
    return bool(machine.world.network.busy())


def answered(machine) -> bool:
    """Replies are on their way."""
    return bool(machine.world.network.replies)


class ChangeMachine(RuleBasedStateMachine):
    """One change in one world; the rules are what can happen next."""

    world: World

    @initialize(number=st.integers(0, 2**16), until=st.sampled_from(BEGINNINGS), again=st.sampled_from([False, True]))
    def begin(self, number, until, again):
        """All has gone well so far, but perhaps for a daemon that was killed just now and started again."""
        self.world = some_world(random.Random(number))
        if until is None:
            return
        self.world.start(idle=until is S.PLANNED)
        going_back = until is S.ROLLING_BACK
        while running(self) and self.world.state not in {S.KEEPING if going_back else until, S.ON_TRIAL}:
            self.world.go_on()
        if until is S.KEEPING and running(self):
            self.world.daemon.accept()
        if going_back and running(self):
            self.world.daemon.cancel()
            self.world.take()
        if again:
            self.world.kill()
            self.world.start()

    @rule(steps=st.integers(1, 30))
    def all_goes_well(self, steps):
        """Nobody decides a trial meanwhile, and nobody waits for its end."""
        for _ in range(steps):
            if running(self) and (self.world.state is not S.ON_TRIAL or self.world.can_take()):
                self.world.go_on()

    @precondition(lambda self: self.world.can_take())
    @rule()
    def daemon_takes_an_event(self):
        self.world.take()

    @precondition(busy)
    @rule(number=NUMBERS, fault=FAULTS)
    def request_arrives(self, number, fault):
        self.world.work(self.one_busy(number), fault)

    @precondition(busy)
    @rule(number=NUMBERS)
    def request_is_lost(self, number):
        self.world.network.lose_request(self.one_busy(number))

    @precondition(busy)
    @rule(number=NUMBERS)
    def request_is_doubled(self, number):
        self.world.network.double_request(self.one_busy(number))

    @precondition(answered)
    @rule(number=NUMBERS, garbled=st.booleans(), again=st.booleans())
    def reply_arrives(self, number, garbled, again):
        self.world.answer(number % len(self.world.network.replies), garbled=garbled, again=again)

    @precondition(answered)
    @rule(number=NUMBERS)
    def reply_is_lost(self, number):
        self.world.network.replies.pop(number % len(self.world.network.replies))

    @precondition(lambda self: self.world.network.told)
    @rule(lost=st.booleans())
    def word_of_a_device_arrives(self, lost):
        self.world.tell(lost=lost)

    @rule(seconds=SECONDS)
    def time_passes(self, seconds):
        self.world.pass_time(seconds)

    @rule(number=NUMBERS)
    def device_reboots(self, number):
        name = self.one(number)
        if self.world.network.boxes[name].powered:
            self.world.network.reboot(name, self.world.now)

    @rule(number=NUMBERS, level_db=st.sampled_from([None, -11.0, -17.0]))
    def somebody_is_at_the_panel(self, number, level_db):
        name = self.one(number)
        if self.world.network.boxes[name].powered:
            self.world.network.press(name, level_db)

    @rule(number=NUMBERS)
    def plug_is_pulled_or_put_back(self, number):
        name, network = self.one(number), self.world.network
        if network.boxes[name].powered:
            network.pull_plug(name)
        else:
            network.put_back(name, self.world.now)

    @precondition(running)
    @rule(keep=st.booleans())
    def person_decides(self, keep):
        if keep:
            self.world.daemon.accept()
        else:
            self.world.daemon.cancel()

    @precondition(running)
    @rule(after_steps=st.integers(0, 8))
    def daemon_is_killed(self, after_steps):
        self.world.kill(after_steps)

    @precondition(lambda self: self.world.daemon is None)
    @rule(clock_moves_s=CLOCK_MOVES_S, dies_in=st.sampled_from([None, None, None, 0, 1, 2, 3, 5]))
    def daemon_starts(self, clock_moves_s, dies_in):
        self.world.start(clock_moves_s, dies_in=dies_in)

    @invariant()
    def the_next_step_is_never_far(self):
        """What has not ended has an event to take or a time by which it goes on."""
        if running(self):
            assert self.world.can_take() or self.world.daemon.progress.deadline >= self.world.now

    @invariant()
    def an_end_is_an_end(self):
        """What is durable says the same as the daemon, once that has come to an end and lives."""
        world = self.world
        if world.daemon is not None and world.daemon.ended and world.daemon.progress.turn:
            assert world.disk.state is world.state

    def teardown(self):
        if hasattr(self, "world"):
            self.world.settle()
            judge(self.world)
            observed.update(self.world.watch.observed)

    def one(self, number):
        names = sorted(self.world.network.boxes)
        return names[number % len(names)]

    def one_busy(self, number):
        names = self.world.network.busy()
        return names[number % len(names)]


def test_whatever_happens_a_change_ends_wholly_new_wholly_old_or_with_names():
    print(f"hypothesis seed {SEED}: FLEET_SEED={SEED} plays the same")
    plays = settings(
        max_examples=PLAYS,
        stateful_step_count=40,
        print_blob=True,
        database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
    )
    run_state_machine_as_test(seed(SEED)(ChangeMachine), settings=plays)
    assert set(observed) <= DECLARED
    reached = {to for _, _, to in observed}
    assert reached >= set(S) - {S.PLANNED, S.RECOVERING}, reached
