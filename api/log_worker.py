"""Reads one log in a process of its own, so that a bad file takes neither the service's memory nor its time.

A job comes as JSON on standard input, the answer goes as JSON to standard output. Run by `api.log_jobs`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from engine.errors import InputError, KnowledgeError
from engine.loading import load_source
from engine.logs.analysis import Wanted, analyse
from engine.logs.errors import LogError
from engine.logs.mapping import Mapping
from engine.logs.reading import ReadLimits

MIB = 1024 * 1024


class Job(BaseModel):
    """What to read and within which bounds."""

    model_config = ConfigDict(frozen=True)

    path: Path
    kb: Path
    mapping: Mapping | None
    plots: bool
    most_bytes: int
    memory_mib: int
    seconds: int


class Issue(BaseModel):
    """One thing that is wrong with a mapping."""

    field: str
    value: str | None
    message: str
    accepted: list[str]


class Failure(BaseModel):
    """Why a log could not be read."""

    kind: Literal["unreadable-log", "invalid-facts"]
    detail: str
    issues: list[Issue] = []


def limit_resources(job: Job) -> None:
    """Bound memory and processor time of this process, where the platform can."""
    try:
        import resource  # noqa: PLC0415
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_DATA, (job.memory_mib * MIB, job.memory_mib * MIB))
    resource.setrlimit(resource.RLIMIT_CPU, (job.seconds, job.seconds + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def work(job: Job) -> str:
    """Return the answer or the failure as JSON, marked with which it is."""
    try:
        source = load_source(job.kb)
        wanted = Wanted(job.plots, job.mapping, ReadLimits(most_bytes=job.most_bytes))
        answer = analyse(job.path, source, wanted)
    except LogError as error:
        failure = Failure(
            kind="unreadable-log",
            detail=str(error),
            issues=[Issue(field="file", value=error.code, message=str(error), accepted=list(error.accepted))],
        )
    except InputError as error:
        failure = Failure(
            kind="invalid-facts",
            detail=str(error),
            issues=[
                Issue(
                    field=issue.field,
                    value=None if issue.value is None else str(issue.value)[:200],
                    message=issue.message,
                    accepted=list(issue.accepted),
                )
                for issue in error.issues
            ],
        )
    except MemoryError:
        failure = Failure(kind="unreadable-log", detail="the file asks for more memory than one log may have")
    except KnowledgeError as error:
        print(error, file=sys.stderr)
        raise SystemExit(5) from error
    else:
        return json.dumps({"answer": answer.model_dump(mode="json", exclude_none=True)})
    return json.dumps({"failure": failure.model_dump(mode="json")})


def main() -> None:
    """Do the job on standard input."""
    job = Job.model_validate_json(sys.stdin.buffer.read())
    limit_resources(job)
    sys.stdout.write(work(job))


if __name__ == "__main__":
    main()
