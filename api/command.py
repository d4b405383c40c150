"""The `prepull` command: serve, triage, listen, measure, log, and the groups kb, db and keys.

Exit codes: 0 done (for `triage`: run or run_with_advice), 2 wrong input or usage, 3 mend_first, 4 stop,
5 the knowledge base cannot be used, 6 the service cannot be started or failed, 7 a golden case was let run
that must not.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from api.db_command import database_option, db
from api.kb_command import kb
from api.key_command import keys
from api.log_command import log
from api.measure_command import measure
from api.shell import (
    EXIT_INPUT,
    EXIT_KB,
    EXIT_SERVICE,
    EXIT_VERDICT,
    MAX_FILE_BYTES,
    chainer_option,
    complain,
    kb_option,
    load_knowledge,
    unusable,
)
from api.version import distribution_version
from engine.errors import ChainerError, InputError, KnowledgeError

if TYPE_CHECKING:
    from engine.answer import TriageAnswer
    from engine.case import TriageRequest
    from engine.knowledge import ChainerChoice, Knowledge

GRACE_SECONDS = 30
"""How long calls that are being answered may take when the service is told to stop."""


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(version=distribution_version(), prog_name="prepull")
def main() -> None:
    """Is this boosted car sound enough for a full-load run?"""


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535))
@database_option
@chainer_option
@kb_option
def serve(
    host: str, port: int, address: str | None, chainer: ChainerChoice | None, folder: Path | None
) -> None:
    """Serve the HTTP API until stopped."""
    from dataclasses import replace

    import uvicorn

    from api import logs
    from api.access import is_loopback
    from api.app import create_app
    from api.settings import NO_DATABASE, SettingError, Settings
    from api.storage.errors import DatabaseAddressError, StorageError

    try:
        settings = Settings.from_environment()
    except SettingError as error:
        complain(str(error), EXIT_INPUT)
    settings = replace(settings, kb=folder or settings.kb, chainer=chainer or settings.chainer)
    if address is not None:
        settings = replace(settings, database=None if address == NO_DATABASE else address)
    logs.set_up(settings.log)
    try:
        app = create_app(settings)
    except KnowledgeError as error:
        complain(unusable(error), EXIT_KB)
    except DatabaseAddressError as error:
        complain(str(error), EXIT_INPUT)
    except StorageError as error:
        complain(f"the database cannot be used: {error}", EXIT_SERVICE)
    if not app.state.gate.has_keys and not (settings.access == "auto" and is_loopback(host)):
        complain(
            f"no key is known, so nobody could be let in on {host}: make one with prepull keys create, and "
            "see that the database is reached",
            EXIT_INPUT,
        )
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_SECONDS,
    )
    server = uvicorn.Server(config)
    try:
        server.run()
    except SystemExit:
        sys.exit(EXIT_SERVICE)
    if not server.started:
        sys.exit(EXIT_SERVICE)


@main.command()
@click.argument("source", metavar="FILE|-", type=click.File("rb"))
@click.option("--json", "as_json", is_flag=True, help="Print the same JSON as the API.")
@click.option("--parts", default=None, help="Comma-separated parts to compute, as the API takes them.")
@click.option("--causes", default=10, show_default=True, type=click.IntRange(1, 500))
@click.option("--questions", default=5, show_default=True, type=click.IntRange(1, 50))
@click.option("--tests", default=6, show_default=True, type=click.IntRange(1, 50))
@chainer_option
@kb_option
def triage(
    source: BinaryIO,
    as_json: bool,
    parts: str | None,
    causes: int,
    questions: int,
    tests: int,
    chainer: ChainerChoice | None,
    folder: Path | None,
) -> None:
    """Answer the case in a YAML or JSON FILE, or on standard input with -.

    Leaves with 0 for run and run_with_advice, 3 for mend_first, 4 for stop, 2 for facts that cannot be
    used.
    """
    from api.triage_routes import parse_parts
    from engine.triage import Options, Triage

    request = read_request(source.read(MAX_FILE_BYTES + 1), source.name)
    knowledge = load_knowledge(folder, chainer)
    try:
        answer = Triage(knowledge).answer(request, Options(parse_parts(parts), causes, questions, tests))
    except InputError as error:
        complain(str(error), EXIT_INPUT)
    except ChainerError as error:
        complain(str(error), EXIT_SERVICE)
    tell(answer, knowledge, as_json)
    sys.exit(EXIT_VERDICT[answer.verdict.verdict])


@main.command()
@click.argument("words", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print the same JSON as the API.")
@click.option("--limit", default=10, show_default=True, type=click.IntRange(1, 50))
@kb_option
def listen(words: tuple[str, ...], as_json: bool, limit: int, folder: Path | None) -> None:
    """Tell which findings and vehicle facts the caller's WORDS mean; - reads standard input.

    Leaves with 0 also when nothing matched, and with 2 for a text that cannot be used.
    """
    from pydantic import ValidationError
    from rich.console import Console

    from api.phrases_text import print_heard
    from engine.listening.answer import MAX_TEXT, PhrasesRequest, tell_heard
    from engine.listening.hearing import Listener
    from engine.triage import Triage

    text = " ".join(words)
    if words == ("-",):
        text = sys.stdin.buffer.read(MAX_FILE_BYTES).decode("utf-8", "replace")[: MAX_TEXT + 1]
    try:
        request = PhrasesRequest(text=text, limit=limit)
    except ValidationError as error:
        complain(f"the caller's words: {error.errors()[0]['msg']}", EXIT_INPUT)
    triage = Triage(load_knowledge(folder, "compiled"))
    source = triage.knowledge.source
    answer = tell_heard(source, triage.stamp, Listener(source).listen(request.text, request.limit))
    if as_json:
        click.echo(answer.model_dump_json(exclude_none=True, indent=2))
    else:
        print_heard(answer, Console(soft_wrap=False, highlight=False))


def tell(answer: TriageAnswer, knowledge: Knowledge, as_json: bool) -> None:
    """Print an answer as JSON or as text."""
    if as_json:
        click.echo(answer.model_dump_json(exclude_none=True, indent=2))
        return
    from rich.console import Console

    from api.text import print_answer

    print_answer(answer, knowledge, Console(soft_wrap=False, highlight=False))


def read_request(data: bytes, name: str) -> TriageRequest:
    """Read a case from JSON or strict YAML, or leave and say what is wrong with it."""
    from pydantic import ValidationError

    from engine.case import TriageRequest
    from engine.yaml_reader import read_yaml

    if len(data) > MAX_FILE_BYTES:
        complain(f"{name}: larger than {MAX_FILE_BYTES} bytes", EXIT_INPUT)
    if data.lstrip()[:1] == b"{":
        try:
            value: object = json.loads(data)
        except (ValueError, RecursionError) as error:
            complain(f"{name}: not JSON: {error}", EXIT_INPUT)
    else:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            complain(f"{name}: not UTF-8 text: {error.reason} at byte {error.start}", EXIT_INPUT)
        document = read_yaml(text, name)
        if document.problems:
            complain("\n".join(str(problem) for problem in document.problems), EXIT_INPUT)
        value = document.value
    try:
        return TriageRequest.model_validate({} if value is None else value)
    except ValidationError as error:
        lines = [
            f"{name}: {'.'.join(str(part) for part in item['loc']) or 'case'}: {item['msg']}"
            for item in error.errors()[:20]
        ]
        complain("\n".join(lines), EXIT_INPUT)
    raise AssertionError("not reached")


main.add_command(kb)
main.add_command(db)
main.add_command(keys)
main.add_command(measure)
main.add_command(log)


if __name__ == "__main__":
    main()
