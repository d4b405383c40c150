"""A reading against its limits, as a small picture (SVG) that needs no colour to be read."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from engine.inspection.report_parts import LimitLine

WIDTH, HEIGHT = 360, 64
LEFT, RIGHT, AXIS = 10, 350, 34


def strip(values: Sequence[float], limits: Sequence[LimitLine], unit: str, name: str) -> str:
    """Return an SVG strip: an axis, hatched where a limit says something, and the values numbered in order.

    The last value is a full mark, earlier ones are hollow.
    """
    edges = [edge for limit in limits for edge in (limit.low, limit.high) if edge is not None]
    low, high = min([*values, *edges]), max([*values, *edges])
    margin = 0.12 * (high - low) or max(abs(high) * 0.2, 1.0)
    low, high = low - margin, high + margin

    def x(value: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * (value - low) / (high - low), 1)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(name)}: {escape(_listed(values))} {escape(unit)}" font-family="sans-serif" '
        'font-size="9">',
        '<defs><pattern id="h" width="5" height="5" patternUnits="userSpaceOnUse">'
        '<path d="M0 5 5 0" stroke="#777" stroke-width="1"/></pattern></defs>',
    ]
    for limit in limits:
        start = LEFT if limit.low is None else x(limit.low)
        end = RIGHT if limit.high is None else x(limit.high)
        parts.append(
            f'<rect x="{start}" y="{AXIS - 9}" width="{round(end - start, 1)}" height="18" fill="url(#h)" '
            'stroke="#999" stroke-width=".5"/>'
        )
    parts.append(f'<path d="M{LEFT} {AXIS}H{RIGHT}" stroke="#222" stroke-width="1.2"/>')
    # Two edges that lie on top of each other would be one black blot.
    written: list[float] = []
    for edge in sorted(set(edges)):
        if all(abs(x(edge) - other) > 26 for other in written):
            written.append(x(edge))
            parts.append(f'<path d="M{x(edge)} {AXIS - 11}v22" stroke="#222" stroke-width="1"/>')
            parts.append(f'<text x="{x(edge)}" y="{AXIS + 22}" text-anchor="middle">{edge:g}</text>')
    for number, value in enumerate(values, start=1):
        last = number == len(values)
        fill = "#111" if last else "#fff"
        parts.append(
            f'<circle cx="{x(value)}" cy="{AXIS}" r="4.5" fill="{fill}" stroke="#111" stroke-width="1.4"/>'
        )
        label = f"{value:g}" if last else str(number)
        parts.append(f'<text x="{x(value)}" y="{AXIS - 16}" text-anchor="middle">{label}</text>')
    parts.append("</svg>")
    return "".join(parts)


def _listed(values: Sequence[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)
