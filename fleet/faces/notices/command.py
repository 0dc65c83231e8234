"""A command that is told of notices: the document on its input, a few variables; never through a shell."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from asyncio.subprocess import DEVNULL, Process
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Final

from fleet.errors import NotDelivered
from fleet.faces.notices.config import ReceiverConfig
from fleet.faces.notices.document import bytes_of, words_of
from fleet.faces.secrets import HIDDEN, without_secrets
from fleet.model.names import shown
from fleet.model.receiver import ReceiverRules
from fleet.services.receivers import Parcel

MOST_WORDS: Final = 4000
LEAST_SECRET: Final = 6
"""Characters; a shorter argument is an option such as `-v`, and says nothing."""
_SAID_BYTES: Final = 400
_LAST_WORDS_WITHIN_S: Final = 1.0


class Command:
    """A receiver that is a program: exit code 0 means that it was told.

    It runs in a process group of its own, of which nothing is left running once it has ended. What it writes is not
    kept, but for the beginning of its errors where it fails.
    """

    def __init__(self, config: ReceiverConfig) -> None:
        self._config = config

    @property
    def rules(self) -> ReceiverRules:
        """What it is told, and when."""
        return self._config.rules

    @property
    def words(self) -> str:
        """The program, without its arguments: these may be secret."""
        return self._config.target

    async def deliver(self, parcel: Parcel) -> None:
        """Run it. Raises `NotDelivered` where it cannot be run, fails, or does not end in time."""
        where, within_s = self._config.command[0], self._config.timeout_s
        async with _errors_of_a_command() as (write_end, errors):
            process = await self._started(parcel, write_end)
            saying = asyncio.create_task(_beginning(errors), name="reading what a command says")
            try:
                async with asyncio.timeout(within_s):
                    code = await process.wait()
            except TimeoutError:
                raise NotDelivered(f"it did not end within {within_s:g} s", where=where) from None
            finally:
                await _end(process)
                words = self._without_arguments(await _last_words(saying))
        if code != 0:
            raise NotDelivered(f"it ended with exit code {code}" + (f": {words}" if words else ""), where=where)

    async def _started(self, parcel: Parcel, errors: int) -> Process:
        """The process, with its errors going to this descriptor, which is closed here."""
        try:
            with _in_memory(bytes_of(parcel)) as document:
                return await asyncio.create_subprocess_exec(
                    *self._config.command,
                    stdin=document,
                    stdout=DEVNULL,
                    stderr=errors,
                    env=self._environment(parcel),
                    start_new_session=True,
                )
        except OSError as error:
            where = self._config.command[0]
            raise NotDelivered(f"it cannot be run: {error.strerror}", where=where) from None
        finally:
            os.close(errors)

    def _without_arguments(self, words: str) -> str:
        """What a program says of its arguments is left out: these may be secret."""
        for argument in self._config.command[1:]:
            if len(argument) >= LEAST_SECRET:
                words = words.replace(argument, HIDDEN)
        return words

    def _environment(self, parcel: Parcel) -> dict[str, str]:
        """The daemon's, without its own settings, since these may hold passwords."""
        inherited = {n: v for n, v in os.environ.items() if not n.startswith("FLEET_")}
        first = parcel.notices[0]
        single = len(parcel.notices) == 1
        told = {
            "ID": parcel.id,
            "KIND": first.kind if single else "digest",
            "ROOM": first.room if single else "",
            "GRADE": first.grade.word if single and first.grade is not None else "",
            "VENUE": parcel.venue,
            "WORDS": words_of(parcel),
        }
        return inherited | {f"FLEET_NOTICE_{name}": _printable(value) for name, value in told.items()}


def _printable(text: str) -> str:
    """Text as a variable can hold it and a program may print it."""
    return "\n".join(shown(line, MOST_WORDS) for line in text.split("\n"))


@contextmanager
def _in_memory(document: bytes) -> Iterator[int]:
    """A file in memory to read the document from: unlike a pipe, it needs nobody who fills it."""
    with os.fdopen(os.memfd_create("notice"), "wb") as file:
        file.write(document)
        file.flush()
        file.seek(0)
        yield file.fileno()


@asynccontextmanager
async def _errors_of_a_command() -> AsyncIterator[tuple[int, asyncio.StreamReader]]:
    """A pipe that is closed with the block, also where something that left the process group still holds it open."""
    read_end, write_end = os.pipe()
    reader = asyncio.StreamReader()
    transport, _ = await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), os.fdopen(read_end, "rb", buffering=0)
    )
    try:
        yield write_end, reader
    finally:
        transport.close()


async def _beginning(errors: asyncio.StreamReader) -> str:
    """Read all its errors, and keep how they begin."""
    kept = b""
    while part := await errors.read(65_536):
        kept = (kept + part)[:_SAID_BYTES]
    return shown(without_secrets(" ".join(kept.decode("utf-8", "replace").split())), 200)


async def _last_words(saying: asyncio.Task[str]) -> str:
    """What it said; nothing where something still holds its errors open."""
    try:
        async with asyncio.timeout(_LAST_WORDS_WITHIN_S):
            return await saying
    except TimeoutError:
        return ""


async def _end(process: Process) -> None:
    """Leave nothing of its process group running."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    await process.wait()
