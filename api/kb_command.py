"""The `prepull kb` commands: check, show, schema, report, score, simulate."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from pathlib import Path

import click

from api.shell import (
    EXIT_DANGEROUS,
    EXIT_INPUT,
    EXIT_KB,
    EXIT_SERVICE,
    MAX_FILE_BYTES,
    complain,
    count,
    kb_option,
    load_knowledge,
)
from engine.errors import ChainerError, KnowledgeError, PrepullError, UnknownEntryError
from engine.model import SYSTEMS

GOLDEN = Path(__file__).parents[1] / "tests" / "golden"


@click.group()
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


@kb.command("report")
@click.option("--system", type=click.Choice(SYSTEMS), help="Only this engine system.")
@click.option("--worst", type=click.IntRange(min=0), help="At most so many pairs; 20 in text if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON; with every pair unless --worst is given.")
@kb_option
def kb_report(system: str | None, worst: int | None, as_json: bool, folder: Path | None) -> None:
    """Tell which causes cannot be told apart or confirmed, and which findings change nothing."""
    from api.figures_text import told_report
    from engine.report import report
    from engine.triage import Triage

    told = report(Triage(load_knowledge(folder, "compiled")), system)
    if as_json:
        shorter = told.model_copy(update={"pairs": told.pairs[:worst]})
        click.echo(shorter.model_dump_json(indent=2))
    else:
        say(told_report(told, 20 if worst is None else worst))


@kb.command("score")
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON, with every miss.")
@click.option("--misses", is_flag=True, help="Tell every miss, not the dangerous ones only.")
@kb_option
def kb_score(files: tuple[Path, ...], as_json: bool, misses: bool, folder: Path | None) -> None:
    """Answer the golden cases in FILES and compare; those of the checkout if none is named.

    Leaves with 7 if a case was let run that must not.
    """
    from api.figures_text import told_score
    from engine.golden import read_golden
    from engine.scoring import score
    from engine.triage import Triage

    texts = {str(file): read_text(file) for file in files}
    if not files:
        texts = {f"tests/golden/{path.name}": read_text(path) for path in sorted(GOLDEN.glob("*.yaml"))}
    if not texts:
        complain("no golden cases come with this installation; name the files", EXIT_INPUT)
    knowledge = load_knowledge(folder)
    try:
        told = score(Triage(knowledge), read_golden(texts, knowledge))
    except KnowledgeError as error:
        complain(f"{error}\nthe cases cannot be used: {count(len(error.problems), 'error')}", EXIT_INPUT)
    except ChainerError as error:
        complain(str(error), EXIT_SERVICE)
    if as_json:
        click.echo(told.model_dump_json(indent=2))
    else:
        say(told_score(told, misses))
    sys.exit(EXIT_DANGEROUS if told.figures.dangerous.hits else 0)


@kb.command("simulate")
@click.option("--cases", required=True, type=click.IntRange(1, 100_000), help="How many cases to draw.")
@click.option("--seed", required=True, type=click.IntRange(min=0), help="The same seed, the same cases.")
@click.option(
    "--wrong",
    default=0.0,
    show_default=True,
    type=click.FloatRange(0, 1),
    help="Share of answers turned round.",
)
@click.option(
    "--missing",
    default=0.0,
    show_default=True,
    type=click.FloatRange(0, 1),
    help="Share of answers not given.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@kb_option
def kb_simulate(
    cases: int, seed: int, wrong: float, missing: float, as_json: bool, folder: Path | None
) -> None:
    """Draw cases from the knowledge base's own network, answer them and play them on."""
    from api.figures_text import told_simulation
    from engine.simulation import simulate
    from engine.triage import Triage

    try:
        told = simulate(Triage(load_knowledge(folder)), cases, seed, wrong, missing)
    except ChainerError as error:
        complain(str(error), EXIT_SERVICE)
    except PrepullError as error:
        complain(str(error), EXIT_INPUT)
    if as_json:
        click.echo(told.model_dump_json(indent=2))
    else:
        say(told_simulation(told))


def read_text(path: Path) -> str:
    """Return what a file says, or leave and say why it cannot be read."""
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_FILE_BYTES + 1)
        if len(content) > MAX_FILE_BYTES:
            complain(f"{path}: larger than {MAX_FILE_BYTES} bytes", EXIT_INPUT)
        return content.decode("utf-8")
    except OSError as error:
        complain(f"{path}: cannot be read: {error.strerror}", EXIT_INPUT)
    except UnicodeDecodeError as error:
        complain(f"{path}: not UTF-8 text: {error.reason} at byte {error.start}", EXIT_INPUT)
    raise AssertionError("not reached")


def say(lines: Iterable[str]) -> None:
    """Print text line by line."""
    for line in lines:
        click.echo(line)
