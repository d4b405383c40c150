"""The `prepull measure` command: a calculation from readings typed with their units."""

from __future__ import annotations

from pathlib import Path

import click

from api.shell import EXIT_INPUT, complain, kb_option


@click.command()
@click.argument("measure_id", metavar="[ID]", required=False)
@click.argument("readings", metavar="[KEY=VALUE]...", nargs=-1)
@click.option("--example", is_flag=True, help="Take the readings of the worked example in docs/measures.")
@click.option("--json", "as_json", is_flag=True, help="Print the same JSON as the API.")
@kb_option
def measure(
    measure_id: str | None, readings: tuple[str, ...], example: bool, as_json: bool, folder: Path | None
) -> None:
    """Calculate from readings, as: prepull measure joint_thrust diameter="63.5 mm" boost="22 psi gauge".

    Without an ID lists every measure, without readings tells what one takes. Pressures say gauge or abs.
    Leaves with 2 for readings that cannot be used.
    """
    from rich.console import Console

    from api.measure_text import print_measure, print_measured, print_measures
    from api.shell import unusable
    from engine.errors import InputError, KnowledgeError, UnknownEntryError
    from engine.loading import default_root, load_source
    from engine.measures.catalogue import measure_by_id
    from engine.measures.run import run

    console = Console(soft_wrap=False, highlight=False)
    if measure_id is None:
        print_measures(console)
        return
    try:
        found = measure_by_id(measure_id)
    except UnknownEntryError as error:
        complain(str(error), EXIT_INPUT)
    if not readings and not example:
        print_measure(found, console)
        return
    typed = dict(found.example) if example else {}
    typed.update(_typed(readings))
    try:
        answer = run(load_source(folder or default_root()), found, typed)
    except KnowledgeError as error:
        complain(unusable(error), EXIT_INPUT)
    except (InputError, UnknownEntryError) as error:
        complain(str(error).replace("readings.", ""), EXIT_INPUT)
    if as_json:
        click.echo(answer.model_dump_json(exclude_none=True, indent=2))
        return
    published = (
        {p.output: f"{p.value} {p.source}" for p in found.published} if example and not readings else {}
    )
    print_measured(answer, console, published)


def _typed(readings: tuple[str, ...]) -> dict[str, str]:
    typed: dict[str, str] = {}
    for reading in readings:
        name, sign, value = reading.partition("=")
        if not sign or not name.strip():
            complain(f'{reading!r} is not a reading; accepted: name="value unit"', EXIT_INPUT)
        if name.strip() in typed:
            complain(f"{name.strip()} is given twice", EXIT_INPUT)
        typed[name.strip()] = value
    return typed
