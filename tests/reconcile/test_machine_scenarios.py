"""Changes over a network that refuses, loses, reboots and is fiddled with: whatever happens, all or nothing, or named.

Each scenario is drawn from its seed; a failing one is repeated by its number. `FLEET_NIGHTLY=1` draws 10,000 of
them, on a machine that stops the daemon now and then.
"""

from __future__ import annotations

import os
import random
from collections import Counter

import pytest
from change_world import DECLARED, World, judge, some_world
from network import Box
from samples_plans import device_of, device_plan, plan_of

from fleet.model.change import ChangeState
from fleet.reconcile.progress import Limits

S = ChangeState
NIGHTLY = os.environ.get("FLEET_NIGHTLY") == "1"
SCENARIOS = 10_000 if NIGHTLY else 4_000
BLOCK = SCENARIOS // 20
LONGEST = 2000
"""Acts after which the network is made well at the latest."""
TROUBLE = (0.0, 0.01, 0.03, 0.08, 0.2)
FAULTS = ("", "busy", "does nothing", "does something else")
HOUR_S = 3600.0


class Scenario:
    """A world in which chance acts. `trouble` is the share of acts that go wrong.

    With `stalls` the machine now and then stops the daemon for 12 s (a paused virtual machine) and lets it go on.
    """

    def __init__(self, seed: int, *, stalls: bool = False) -> None:
        self.stalls = stalls
        self.chance = random.Random(seed)
        self.trouble = TROUBLE[seed % 5]
        self.spell = ("", "")
        """A device that does the same thing wrong for some time."""
        self.acts = self.chance.choice([LONGEST, self.chance.randrange(150)])
        self.slow = self.chance.random() < 0.2
        self.kills = self.chance.randrange(5) if seed % 2 == 0 else 0
        self.world = some_world(self.chance, patient=self.chance.random() < 0.8)
        dies_in = self.chance.randrange(6) if self.kills and self.chance.random() < 0.2 else None
        self.world.start(dies_in=dies_in, idle=self.chance.random() < 0.02)

    def hit(self, share: float = 1.0) -> bool:
        return self.chance.random() < self.trouble * share

    def run(self) -> World:
        """Play until the change has ended or long enough, then let everything settle."""
        for _ in range(self.acts):
            if self.world.over():
                break
            self.act()
        self.world.settle()
        return self.world

    def act(self) -> None:
        world, chance, network = self.world, self.chance, self.world.network
        if self.hit(0.3):
            self.mishap()
        if self.slow:
            self.dawdle()
        if self.kills and world.daemon is not None and chance.random() < 0.03:
            self.kills -= 1
            world.kill(chance.randrange(0, 7))
        if world.daemon is None:
            if chance.random() < 0.3:
                world.start(clock_moves_s=chance.choice([0.0, 0.0, 0.0, HOUR_S, -HOUR_S]))
            elif chance.random() < 0.3:
                world.pass_time(chance.choice([0.2, 3.0, 30.0, 200.0]))
        elif world.can_take() and chance.random() < 0.7:
            world.take()
            return
        busy = network.busy()
        if busy and chance.random() < 0.6:
            self.request(chance.choice(busy))
        elif network.replies and chance.random() < 0.8:
            self.reply(chance.randrange(len(network.replies)))
        elif network.told and chance.random() < 0.6:
            world.tell(lost=self.hit())
        elif not busy and not network.replies and not world.can_take():
            self.wait()
        else:
            world.pass_time(0.01)

    def dawdle(self) -> None:
        """A slow network, and perhaps a machine that stops the daemon for a while."""
        if self.chance.random() < 0.15:
            self.world.pass_time(self.chance.choice([0.1, 0.8, 2.2]))
        if self.stalls and self.chance.random() < 0.03:
            self.world.pass_time(12.0, stalled=True)

    def request(self, name: str) -> None:
        if self.hit():
            self.world.network.lose_request(name)
            return
        if self.hit():
            self.world.network.double_request(name)
        if name == self.spell[0] and self.chance.random() < 0.98:
            self.world.work(name, self.spell[1])
        else:
            self.world.work(name, self.chance.choice(FAULTS) if self.hit() else "")

    def reply(self, number: int) -> None:
        if self.hit():
            self.world.network.replies.pop(number)
        else:
            self.world.answer(number, garbled=self.hit(0.5), again=self.hit())

    def wait(self) -> None:
        """Nothing is on its way: a person decides, or time runs on to whatever comes next."""
        world, chance = self.world, self.chance
        if world.daemon is not None and world.state is S.ON_TRIAL and chance.random() < 0.7:
            self.listen(chance.choice(["keep", "keep", "undo", "time", "kill", "mishap"]))
            return
        alarm = world.next_alarm()
        if alarm is not None:
            world.pass_time(max(alarm - world.now, 0.0))
        else:
            assert world.over() or world.daemon is None or world.can_take(), "nothing will ever happen"

    def listen(self, what: str) -> None:
        """A change is on trial."""
        world = self.world
        if what == "keep":
            world.daemon.accept()
        elif what == "undo":
            world.daemon.cancel()
        elif what == "kill" and self.kills:
            world.kill()
        elif what == "mishap" and self.trouble:
            self.mishap()
        else:
            left_s = max(world.daemon.progress.deadline - world.now - 0.5, 0.0)
            world.pass_time(self.chance.choice([1.0, 7.0, 40.0, left_s]))

    def mishap(self) -> None:
        """A device that has no time, a power cut, a person at the panel or at the desk, a cable pulled or put back."""
        world, chance = self.world, self.chance
        name = chance.choice(list(world.network.boxes))
        powered = world.network.boxes[name].powered
        kind = chance.choice(["reboot", "panel level", "panel mute", "pulled", "back", "back", "cancel", "spell"])
        if kind == "spell":
            self.spell = ("", "") if self.spell[0] else (name, chance.choice(["busy", "does nothing"]))
        elif kind == "reboot" and powered:
            world.network.reboot(name, world.now)
        elif kind.startswith("panel") and powered:
            world.network.press(name, chance.choice([-11.0, -17.0]) if kind == "panel level" else None)
        elif kind == "pulled":
            world.network.pull_plug(name)
        elif kind == "back" and not powered:
            world.network.put_back(name, world.now)
        elif kind == "cancel" and world.daemon is not None:
            world.daemon.cancel()


def play(seed: int, *, stalls: bool = False) -> World:
    """A scenario from its beginning until nothing happens any more, judged."""
    world = Scenario(seed, stalls=stalls).run()
    judge(world)
    return world


@pytest.fixture(scope="module")
def tally():
    """What was observed over all scenarios: transitions and ends."""
    return Counter(), Counter()


@pytest.mark.parametrize("block", range(20))
def test_every_change_ends_wholly_new_wholly_old_or_with_names(block, tally):
    transitions, ends = tally
    for seed in range(block * BLOCK, (block + 1) * BLOCK):
        try:
            world = play(seed, stalls=NIGHTLY)
        except BaseException as error:
            error.add_note(f"seed {seed}")
            raise
        transitions += world.watch.observed
        ends[world.disk.state] += 1


def test_the_scenarios_take_every_declared_transition_and_reach_every_end(tally):
    """A guard against scenarios that have become tame, and against a table that promises what never happens."""
    transitions, ends = tally
    print(f"seeds 0-{SCENARIOS - 1}: {dict(ends)}")
    for (state, event, to), count in sorted(transitions.items()):
        print(f"{count:7} {state} --{event}--> {to}")
    assert set(transitions) == DECLARED
    assert min(ends[state] for state in (S.KEPT, S.ROLLED_BACK, S.CANCELLED, S.NEEDS_PERSON)) >= 10


@pytest.mark.parametrize("first", range(30))
def test_daemons_killed_one_after_another_while_going_back_leave_a_panel_mute_as_it_was(first):
    """No device brings a panel mute back by itself: it takes a writing back, which a killed daemon may leave open."""
    for second in range(30):
        device = device_of(causes={1: {"panel"}})
        plan = plan_of(device_plan(device, level_db=-6.0, mute=False))
        world = World([Box(it=device, timer=True)], plan, Limits(), trial_s=60.0)
        world.start()
        while world.state is not S.ON_TRIAL:
            world.go_on()
        world.daemon.cancel()
        for steps in (first, second):
            for _ in range(steps):
                if not world.over():
                    world.go_on()
            world.kill()
            world.start()
        world.settle()
        judge(world)
        assert world.disk.state is S.ROLLED_BACK, f"killed after {first} and {second} steps: {world.disk.stuck}"
