"""Which channels of an MDF4 file may be read: those that are plain numbers and lie within their records.

The library that reads the file cuts the samples out of the records in C and trusts the file for where they
lie: a channel beyond the end of its record would write over memory. It also hands formulas in the file to an
evaluator. Neither is ever let through.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

FIXED_LENGTH, MASTER = 0, 2
NUMBERS = frozenset({0, 1, 2, 3, 4, 5})
"""Data types of integers and floating-point numbers of either byte order."""
FORMULA = 3
INVALIDATION_PRESENT = 2
DEEPEST = 8


class Conversion(Protocol):
    """How a channel's numbers become physical ones."""

    conversion_type: int
    referenced_blocks: Mapping[str, object] | None


class Channel(Protocol):
    """Where a channel lies in a record."""

    channel_type: int
    data_type: int
    bit_offset: int
    byte_offset: int
    bit_count: int
    flags: int
    pos_invalidation_bit: int
    conversion: Conversion | None


class ChannelGroup(Protocol):
    """How long a record is."""

    samples_byte_nr: int
    invalidation_bytes_nr: int


class Group(Protocol):
    """A channel group as the library has it."""

    channels: Sequence[Channel]
    channel_group: ChannelGroup
    channel_dependencies: Sequence[object]


def is_plain(group: Group, index: int) -> bool:
    """Whether a channel is one number of fixed length, all of it within the record, made by no formula."""
    channel, record = group.channels[index], group.channel_group
    if channel.channel_type not in (FIXED_LENGTH, MASTER) or channel.data_type not in NUMBERS:
        return False
    if group.channel_dependencies[index] or channel.bit_count < 1:
        return False
    length = (channel.bit_offset + channel.bit_count + 7) // 8
    if channel.bit_count > 64 or channel.byte_offset + length > record.samples_byte_nr:
        return False
    marked = bool(channel.flags & INVALIDATION_PRESENT)
    if marked and channel.pos_invalidation_bit >= 8 * record.invalidation_bytes_nr:
        return False
    return not _by_formula(channel.conversion, DEEPEST)


def _by_formula(conversion: object, deepest: int) -> bool:
    kind = getattr(conversion, "conversion_type", None)
    if kind is None:
        return False
    if kind == FORMULA or deepest == 0:
        return True
    others = getattr(conversion, "referenced_blocks", None) or {}
    return any(_by_formula(other, deepest - 1) for other in others.values())
