"""The `prepull log` command: what a recorded log shows, and what that makes likely."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from api.shell import EXIT_INPUT, MAX_FILE_BYTES, chainer_option, complain, kb_option, load_knowledge

if TYPE_CHECKING:
    from engine.knowledge import ChainerChoice
    from engine.loading import KnowledgeSource
    from engine.logs.analysis import Wanted
    from engine.logs.answer import LogAnswer
    from engine.logs.mapping import Mapping


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--mapping",
    "mapping_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="What the columns are, as --save-mapping wrote it and you corrected it.",
)
@click.option(
    "--save-mapping",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what the columns were taken for, to correct and use again.",
)
@click.option(
    "--case",
    "case_file",
    type=click.File("rb"),
    help="What else is known of the car, as for `prepull triage`.",
)
@click.option(
    "--plots",
    "plots_folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder to write an SVG to for each place that matters.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the same JSON as the API.")
@chainer_option
@kb_option
def log(
    file: Path,
    mapping_file: Path | None,
    save_mapping: Path | None,
    case_file: BinaryIO | None,
    plots_folder: Path | None,
    as_json: bool,
    chainer: ChainerChoice | None,
    folder: Path | None,
) -> None:
    """Tell what the log in FILE shows (CSV of any logger, or ASAM MDF4), and what that makes likely.

    Leaves with 0 when the log was read, with 2 for a file or a mapping that cannot be used.
    """
    from api.command import read_request
    from engine.case import TriageRequest
    from engine.errors import InputError
    from engine.logs.analysis import Wanted
    from engine.logs.mapping import dump_mapping
    from engine.logs.merging import merge
    from engine.triage import Options, Triage

    knowledge = load_knowledge(folder, chainer)
    facts = TriageRequest()
    if case_file is not None:
        facts = read_request(case_file.read(MAX_FILE_BYTES + 1), case_file.name)
    wanted = Wanted(as_json or plots_folder is not None, _read_mapping(mapping_file))
    answer = _look(file, knowledge.source, wanted)
    if save_mapping is not None:
        save_mapping.write_text(dump_mapping(answer.mapping), encoding="utf-8")
    if plots_folder is not None:
        plots_folder.mkdir(parents=True, exist_ok=True)
        for plot in answer.plots:
            (plots_folder / f"{plot.id}.svg").write_text(plot.svg, encoding="utf-8")
    merged, caveats = merge(facts, answer)
    try:
        told = Triage(knowledge).answer(merged, Options())
    except InputError as error:
        complain(str(error), EXIT_INPUT)
    answer = answer.model_copy(update={"triage": told, "caveats": [*answer.caveats, *caveats]})
    if as_json:
        click.echo(answer.model_dump_json(exclude_none=True, indent=2))
        return
    from rich.console import Console

    from api.log_text import print_log
    from api.text import print_answer

    console = Console(soft_wrap=False, highlight=False)
    print_log(answer, console)
    if any(finding.state == "present" for finding in answer.findings) or facts.findings:
        print_answer(told, knowledge, console)


def _read_mapping(path: Path | None) -> Mapping | None:
    from engine.errors import InputError
    from engine.logs.mapping import load_mapping

    if path is None:
        return None
    try:
        return load_mapping(path.read_text(encoding="utf-8"))
    except (InputError, UnicodeDecodeError) as error:
        complain(f"{path.name}: {error}", EXIT_INPUT)
    raise AssertionError("not reached")


def _look(file: Path, source: KnowledgeSource, wanted: Wanted) -> LogAnswer:
    """Read the log with a bar on the terminal that tells how far it is; none where nobody watches."""
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn, TransferSpeedColumn

    from engine.errors import InputError
    from engine.logs.analysis import analyse
    from engine.logs.errors import LogError

    console = Console(stderr=True)
    columns = (BarColumn(bar_width=None), DownloadColumn(), TransferSpeedColumn(), TimeRemainingColumn())
    try:
        with Progress(*columns, console=console, transient=True, disable=not sys.stderr.isatty()) as bar:
            task = bar.add_task("", total=None)
            return analyse(
                file, source, wanted, lambda done, total: bar.update(task, completed=done, total=total)
            )
    except LogError as error:
        complain(f"{file.name}: {error}", EXIT_INPUT)
    except InputError as error:
        complain(str(error), EXIT_INPUT)
    raise AssertionError("not reached")
