"""Draws the channels around an event as SVG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from engine.logs.clips import Clip
from engine.logs.feature import Event

WIDTH_IN = 6.4
HEIGHT_PER_CHANNEL_IN = 1.15
LINE = "#1f4e79"
TARGET = "#a15c00"
SHADE: dict[str, Any] = {"color": "#f2c14e", "alpha": 0.35, "linewidth": 0}
LEAST_S = 0.02

STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "prepull",
    "font.family": ["sans-serif"],
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


def draw(clip: Clip, event: Event, labels: dict[str, str]) -> str:
    """Return an SVG of one panel for each channel, the event shaded; `labels` tell name and unit.

    A channel and its target (the same name with ``_target``) share a panel. The same clip gives the same
    text.
    """
    panels = _panels([name for name in clip.channels if not np.all(np.isnan(clip.channels[name]))])
    with rc_context(STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=(WIDTH_IN, max(1, len(panels)) * HEIGHT_PER_CHANNEL_IN + 0.55))
        FigureCanvasSVG(figure)
        axes = figure.subplots(max(1, len(panels)), 1, sharex=True, squeeze=False)[:, 0]
        for panel, names in zip(axes, panels, strict=False):
            _draw_panel(panel, clip, names, labels)
            panel.axvspan(event.start_s, max(event.end_s, event.start_s + LEAST_S), **SHADE)
        if clip.times.size:
            axes[-1].set_xlim(float(clip.times[0]), float(clip.times[-1]))
        axes[-1].set_xlabel("time in the log, s")
        figure.tight_layout(pad=0.6)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return text.getvalue()


def _panels(names: Sequence[str]) -> list[list[str]]:
    targets = {name for name in names if name.endswith("_target") and name.removesuffix("_target") in names}
    return [
        [name, f"{name}_target"] if f"{name}_target" in targets else [name]
        for name in names
        if name not in targets
    ]


def _draw_panel(axes: Axes, clip: Clip, names: Sequence[str], labels: dict[str, str]) -> None:
    for name in names:
        target = name.endswith("_target")
        axes.plot(
            clip.times,
            clip.channels[name],
            color=TARGET if target else LINE,
            linewidth=1.3,
            linestyle="--" if target else "-",
        )
    label = labels.get(names[0], names[0])
    axes.set_title(f"{label} (target dashed)" if len(names) > 1 else label, loc="left", fontsize=9)
    axes.grid(visible=True, linewidth=0.4, alpha=0.5)
    axes.margins(y=0.12)
