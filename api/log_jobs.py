"""Hands a log to a process of its own and waits for its answer, a few at a time."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from anyio import to_thread

from api.log_worker import Failure, Job
from engine.errors import InputError, InputIssue, PrepullError
from engine.logs.answer import LogAnswer
from engine.logs.errors import LogError
from engine.logs.first_look import refuse_early
from engine.logs.mapping import Mapping

AT_ONCE = 2
WAIT_FOR_A_PLACE_S = 20.0
GRACE_S = 5.0

log = logging.getLogger("prepull.logs")


class UnreadableLogError(PrepullError):
    """A file that cannot be read as a log; `issues` say what would be."""

    def __init__(self, detail: str, issues: list[InputIssue]) -> None:
        self.issues = issues
        super().__init__(detail)


class LogsBusyError(PrepullError):
    """Too many logs are being read at once."""


@dataclass(frozen=True)
class Bounds:
    """What one log may cost."""

    most_bytes: int
    seconds: int
    memory_mib: int


class LogJobs:
    """Reads logs, at most `AT_ONCE` at a time; whoever waits too long for a place is sent away."""

    def __init__(self, kb: Path, bounds: Bounds) -> None:
        self._kb = kb
        self._bounds = bounds
        self._places = asyncio.Semaphore(AT_ONCE)

    async def read(self, path: Path, mapping: Mapping | None, plots: bool) -> LogAnswer:
        """Return what the log at `path` shows.

        Raises `UnreadableLogError`, `engine.errors.InputError` for a mapping that does not fit the file, and
        `LogsBusyError`.
        """
        try:
            await to_thread.run_sync(refuse_early, path, mapping)
        except LogError as error:
            issue = InputIssue("file", error.code, str(error), error.accepted)
            raise UnreadableLogError(str(error), [issue]) from error
        try:
            await asyncio.wait_for(self._places.acquire(), WAIT_FOR_A_PLACE_S)
        except TimeoutError as error:
            raise LogsBusyError("other logs are being read; try again in a minute") from error
        try:
            return await self._run(path, mapping, plots)
        finally:
            self._places.release()

    async def _run(self, path: Path, mapping: Mapping | None, plots: bool) -> LogAnswer:
        job = Job(
            path=path,
            kb=self._kb,
            mapping=mapping,
            plots=plots,
            most_bytes=self._bounds.most_bytes,
            memory_mib=self._bounds.memory_mib,
            seconds=self._bounds.seconds,
        )
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "api.log_worker",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "POLARS_MAX_THREADS": "1", "MPLCONFIGDIR": str(path.parent)},
            cwd=Path(__file__).resolve().parents[1],
        )
        try:
            said, trouble = await asyncio.wait_for(
                process.communicate(job.model_dump_json().encode()), self._bounds.seconds + GRACE_S
            )
        except TimeoutError as error:
            message = f"reading it takes longer than {self._bounds.seconds} s"
            raise UnreadableLogError(message, [InputIssue("file", None, message, ())]) from error
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode != 0 or not said:
            log.error("a log could not be read: exit %s, %s", process.returncode, trouble.decode()[-2000:])
            message = "reading it failed: the file is damaged, or asks for more than one log may have"
            raise UnreadableLogError(message, [InputIssue("file", None, message, ())])
        return _answer(json.loads(said))


def _answer(said: dict[str, object]) -> LogAnswer:
    if "answer" in said:
        return LogAnswer.model_validate(said["answer"])
    failure = Failure.model_validate(said["failure"])
    issues = [InputIssue(i.field, i.value, i.message, tuple(i.accepted)) for i in failure.issues]
    if failure.kind == "invalid-facts":
        raise InputError(issues)
    raise UnreadableLogError(failure.detail, issues)
