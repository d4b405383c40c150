"""The `prepull` command: serve, triage, kb check, kb show, kb schema.

Exit codes: 0 done (for `triage`: run or run_with_advice), 2 wrong input or usage, 3 mend_first, 4 stop,
5 the knowledge base cannot be used, 6 the service cannot be started or failed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from api.version import distribution_version
from engine.errors import ChainerError, InputError, KnowledgeError, UnknownEntryError

if TYPE_CHECKING:
    from engine.answer import TriageAnswer
    from engine.case import TriageRequest
    from engine.knowledge import ChainerChoice, Knowledge

EXIT_INPUT = 2
EXIT_VERDICT = {"run": 0, "run_with_advice": 0, "mend_first": 3, "stop": 4}
EXIT_KB = 5
EXIT_SERVICE = 6
MAX_FILE_BYTES = 1_000_000


def complain(message: str, code: int) -> None:
    """Say what is wrong on standard error and leave."""
    click.echo(message, err=True)
    sys.exit(code)


def count(number: int, word: str) -> str:
    """Return "1 error", "2 errors"."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def unusable(error: KnowledgeError) -> str:
    """Say everything that is wrong with a knowledge base."""
    return f"{error}\nthe knowledge base cannot be used: {count(len(error.problems), 'error')}"


def load_knowledge(folder: Path | None, chainer: ChainerChoice | None = None) -> Knowledge:
    """Load the knowledge base or leave with its problems printed."""
    from api.settings import SettingError, Settings
    from engine.knowledge import load

    try:
        settings = Settings.from_environment()
        return load(folder or settings.kb, chainer or settings.chainer)
    except SettingError as error:
        complain(str(error), EXIT_INPUT)
    except KnowledgeError as error:
        complain(unusable(error), EXIT_KB)
    raise AssertionError("not reached")


kb_option = click.option(
    "--kb", "folder", type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the knowledge base; the one that comes with Prepull if left out.",
)  # fmt: skip


chainer_option = click.option(
    "--chainer", type=click.Choice(["auto", "durable", "compiled"]), default=None,
    help="What runs the rules; auto takes durable-rules where it imports. PREPULL_CHAINER if left out.",
)  # fmt: skip


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(version=distribution_version(), prog_name="prepull")
def main() -> None:
    """Is this boosted car sound enough for a full-load run?"""


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535))
@chainer_option
@kb_option
def serve(host: str, port: int, chainer: ChainerChoice | None, folder: Path | None) -> None:
    """Serve the HTTP API until stopped."""
    from dataclasses import replace

    import uvicorn

    from api.app import create_app
    from api.settings import SettingError, Settings

    try:
        settings = Settings.from_environment()
    except SettingError as error:
        complain(str(error), EXIT_INPUT)
    settings = replace(settings, kb=folder or settings.kb, chainer=chainer or settings.chainer)
    try:
        app = create_app(settings)
    except KnowledgeError as error:
        complain(unusable(error), EXIT_KB)
    config = uvicorn.Config(
        app, host=host, port=port, log_level="info", access_log=False, server_header=False
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


@main.group()
def kb() -> None:
    """Check, read and describe the knowledge base."""


@kb.command("check")
@kb_option
@click.option("--warnings/--no-warnings", default=True, help="Show warnings beside errors.")
def kb_check(folder: Path | None, warnings: bool) -> None:
    """Check the knowledge base; prints file:line for each problem and leaves with 5 if there is an error."""
    from api.settings import SettingError, Settings
    from engine.checking import check
    from engine.knowledge import compile_knowledge
    from engine.loading import default_root, load_source

    try:
        source = load_source(folder or Settings.from_environment().kb or default_root())
        problems = check(source)
        if not any(problem.level == "error" for problem in problems):
            compile_knowledge(source, "auto")
    except SettingError as error:
        complain(str(error), EXIT_INPUT)
    except KnowledgeError as error:
        problems = error.problems
    errors = sum(problem.level == "error" for problem in problems)
    for problem in sorted(problems):
        if warnings or problem.level == "error":
            click.echo(str(problem))
    if errors:
        complain(f"{count(errors, 'error')}, {count(len(problems) - errors, 'warning')}", EXIT_KB)
    counts = ", ".join(
        f"{len(getattr(source, kind))} {kind}"
        for kind in ("causes", "findings", "tests", "fixes", "rules", "cautions", "sources")
    )
    click.echo(f"knowledge base {source.manifest.version} ({source.revision}): {counts}")
    click.echo(f"no errors, {count(len(problems), 'warning')}")


@kb.command("show")
@click.argument("entry_id", metavar="ID")
@click.option("--json", "as_json", is_flag=True, help="Print the same JSON as the API.")
@kb_option
def kb_show(entry_id: str, as_json: bool, folder: Path | None) -> None:
    """Show the entry with this ID, of whatever kind it is."""
    from api.kb_routes import ALL_KINDS, entries_of, view_entry
    from engine.nearest import nearest
    from engine.triage import Triage

    knowledge = load_knowledge(folder, "compiled")
    kinds = [kind for kind in ALL_KINDS if kind != "links" and entry_id in entries_of(knowledge, kind)]
    if not kinds:
        known = [i for kind in ALL_KINDS for i in entries_of(knowledge, kind)]
        complain(str(UnknownEntryError("entry", entry_id, nearest(entry_id, known))), EXIT_INPUT)
    stamp = Triage(knowledge).stamp
    for kind in kinds:
        view = view_entry(knowledge, stamp, kind, entry_id)
        if as_json:
            click.echo(view.model_dump_json(exclude_none=True, by_alias=True, indent=2))
            continue
        import yaml

        plain = json.loads(view.model_dump_json(exclude_none=True, exclude_defaults=True, by_alias=True))
        click.secho(f"{kind[:-1] if kind != 'fixes' else 'fix'} {entry_id}", bold=True, nl=False)
        click.echo(f"  {view.place}")
        click.echo(yaml.safe_dump(plain["entry"], sort_keys=False, allow_unicode=True, width=88).rstrip())
        if plain.get("related"):
            click.echo(
                yaml.safe_dump(plain["related"], sort_keys=False, allow_unicode=True, width=88).rstrip()
            )


@kb.command("schema")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
def kb_schema(folder: Path) -> None:
    """Write the JSON Schemas of the entry kinds into FOLDER, for editors and other tools."""
    from engine.schema import write_schemas

    try:
        for path in write_schemas(folder):
            click.echo(str(path))
    except OSError as error:
        complain(f"{folder}: cannot write: {error.strerror}", EXIT_INPUT)


if __name__ == "__main__":
    main()
