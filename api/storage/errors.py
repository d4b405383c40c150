"""What can go wrong with storage, each told apart from the others."""

from __future__ import annotations

from engine.errors import PrepullError


class StorageError(PrepullError):
    """Root of what can go wrong with storage."""


class DatabaseAddressError(StorageError):
    """The address of the database cannot be used."""


class DatabaseDownError(StorageError):
    """The database cannot be reached, or does not answer."""


class DatabaseFullError(StorageError):
    """There is no room left for what was to be written; nothing of it was."""


class SchemaVersionError(StorageError):
    """The tables are older or newer than this program."""


class BusyError(StorageError):
    """Others were writing for too long; nothing was written."""


class LostRaceError(StorageError):
    """Another writer came first; nothing was written, and the work can be done again."""


class ExportError(StorageError):
    """An export or a backup that cannot be taken or restored."""
