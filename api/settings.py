"""What an operator can set, from the environment or the command line."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast, get_args

from api.logs import LOG_FORMS, LogForm
from engine.errors import PrepullError
from engine.knowledge import ChainerChoice

CHAINERS = ("auto", "durable", "compiled")
NO_DATABASE = "none"
DEFAULT_DATABASE = "sqlite:///prepull.sqlite"

AccessChoice = Literal["auto", "keys"]
KeepVerdicts = Literal["all", "cases"]


class SettingError(PrepullError):
    """A setting that cannot be used; names the setting and what would be accepted."""


@dataclass(frozen=True)
class Settings:
    """What docs/operate.md lists. `database` is None where no cases are kept."""

    kb: Path | None = None
    chainer: ChainerChoice = "auto"
    max_body_bytes: int = 1_000_000
    max_bulk_bytes: int = 100_000_000
    max_log_bytes: int = 500_000_000
    max_photo_bytes: int = 20_000_000
    shop_name: str | None = None
    hourly_rate: int | None = None
    currency: str | None = None
    log_seconds: int = 120
    log_memory_mib: int = 1500
    database: str | None = None
    access: AccessChoice = "auto"
    calls_per_minute: int = 600
    keep_verdicts: KeepVerdicts = "all"
    webhook_hosts: tuple[str, ...] = ()
    log: LogForm = "auto"

    @classmethod
    def from_environment(cls) -> Settings:
        """Read the settings; raises `SettingError`."""
        here = os.environ
        folder = here.get("PREPULL_KB")
        database = here.get("PREPULL_DATABASE", DEFAULT_DATABASE)
        hosts = here.get("PREPULL_WEBHOOK_HOSTS", "")
        return cls(
            kb=Path(folder) if folder else None,
            chainer=cast("ChainerChoice", _choice(here, "PREPULL_CHAINER", CHAINERS)),
            max_body_bytes=_whole(here, "PREPULL_MAX_BODY_BYTES", 1_000_000, 1_000, 100_000_000),
            max_bulk_bytes=_whole(here, "PREPULL_MAX_BULK_BYTES", 100_000_000, 1_000, 10_000_000_000),
            max_log_bytes=_whole(here, "PREPULL_MAX_LOG_BYTES", 500_000_000, 1_000, 100_000_000_000),
            max_photo_bytes=_whole(here, "PREPULL_MAX_PHOTO_BYTES", 20_000_000, 1_000, 200_000_000),
            shop_name=_short(here, "PREPULL_SHOP_NAME", 100),
            hourly_rate=_whole(here, "PREPULL_HOURLY_RATE", 0, 0, 100_000) or None,
            currency=_short(here, "PREPULL_CURRENCY", 10),
            log_seconds=_whole(here, "PREPULL_LOG_SECONDS", 120, 5, 86_400),
            log_memory_mib=_whole(here, "PREPULL_LOG_MEMORY_MIB", 1500, 300, 1_000_000),
            database=None if database == NO_DATABASE else database,
            access=cast("AccessChoice", _choice(here, "PREPULL_ACCESS", get_args(AccessChoice))),
            calls_per_minute=_whole(here, "PREPULL_CALLS_PER_MINUTE", 600, 1, 1_000_000),
            keep_verdicts=cast(
                "KeepVerdicts", _choice(here, "PREPULL_KEEP_VERDICTS", get_args(KeepVerdicts))
            ),
            webhook_hosts=tuple(host.strip().lower() for host in hosts.split(",") if host.strip()),
            log=cast("LogForm", _choice(here, "PREPULL_LOG", LOG_FORMS)),
        )


def _short(environment: Mapping[str, str], name: str, most: int) -> str | None:
    value = environment.get(name, "").strip()
    if len(value) > most or not value.isprintable():
        raise SettingError(f"{name} is {value[:200]!r}; accepted: up to {most} printable characters")
    return value or None


def _choice(environment: Mapping[str, str], name: str, choices: Sequence[str]) -> str:
    """Return a setting that is one of a few words; the first is the default."""
    value = environment.get(name, choices[0])
    if value not in choices:
        raise SettingError(f"{name} is {value!r}; accepted: {', '.join(choices)}")
    return value


def _whole(environment: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    value = environment.get(name, str(default))
    if not (value.isascii() and value.isdigit()) or not least <= int(value) <= most:
        raise SettingError(f"{name} is {value!r}; accepted: {least} to {most}")
    return int(value)
