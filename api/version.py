"""The version of what is installed."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def distribution_version() -> str:
    """Return the version of the installed distribution."""
    try:
        return version("prepull")
    except PackageNotFoundError:
        return "0+checkout"
