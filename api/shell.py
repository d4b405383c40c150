"""What the commands share: leaving with a code, loading the knowledge base, options, text of 72 columns."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from engine.errors import KnowledgeError

if TYPE_CHECKING:
    from engine.knowledge import ChainerChoice, Knowledge

EXIT_INPUT = 2
EXIT_VERDICT = {"run": 0, "run_with_advice": 0, "mend_first": 3, "stop": 4}
EXIT_KB = 5
EXIT_SERVICE = 6
EXIT_DANGEROUS = 7
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
