"""What all charts share: day and night, how they are written, and labels that never cover another.

Drawn without any global state, so it is safe in threads.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox, BboxBase

from polewright.foundation.language import translate_figure

Picture = Literal["svg", "png"]


@dataclass(frozen=True)
class Palette:
    """Colours of a chart. What must be told apart has a shape, a line or a hatch of its own too."""

    paper: str
    ink: str
    faint: str
    usable: str
    sky: str
    blocked: str
    overhang: str
    hatch: str
    window: str
    meridian: str
    first: str
    on_first: str
    second: str
    warning: str
    moon: str
    steps: tuple[str, ...]
    """From little to much, the middle one just beyond the limit."""


DAY = Palette(
    paper="#ffffff", ink="#1c2430", faint="#8a94a3", usable="#bfe3c0", sky="#e9eff6",
    blocked="#6e675f", overhang="#8d8378", hatch="#4a453f", window="#d99a2b", meridian="#5b6f8f",
    first="#b3123a", on_first="#fffffe", second="#1f4e9c", warning="#b35c00", moon="#7a7f8c",
    steps=("#eef6f8", "#cfe6ee", "#a6d0df", "#fbd9a0", "#f2a65a", "#d9622b", "#8c2a1c"),
)  # fmt: skip
#: Red light alone, which leaves eyes adapted to the dark: green and blue are 0 in every colour.
NIGHT = Palette(
    paper="#000000", ink="#ff0000", faint="#8a0000", usable="#300000", sky="#0c0000",
    blocked="#000000", overhang="#010000", hatch="#700000", window="#4a0000", meridian="#a00000",
    first="#fe0000", on_first="#020000", second="#ee0000", warning="#fd0000", moon="#b80000",
    steps=("#080000", "#180000", "#2a0000", "#500000", "#700000", "#960000", "#c00000"),
)  # fmt: skip


def palette_of(*, night: bool) -> Palette:
    """Return the colours of a theme."""
    return NIGHT if night else DAY


def _pairs() -> list[tuple[str, str, str]]:
    """Name, day and night of every colour."""
    found = []
    for field in fields(Palette):
        day, night = getattr(DAY, field.name), getattr(NIGHT, field.name)
        if isinstance(day, str):
            found.append((field.name.replace("_", "-"), day, night))
        else:
            found += [
                (f"step-{number}", *two) for number, two in enumerate(zip(day, night, strict=True))
            ]
    return found


def with_themes(svg: str) -> str:
    """Return the SVG of a day's chart, whose colours a page's style sheet may change.

    Each colour becomes a variable of `night_variables`, with the day's colour where it is not set.
    """
    for name, day, _night in _pairs():
        svg = svg.replace(day, f"var(--chart-{name},{day})")
    return svg


def night_variables() -> str:
    """Return the declarations that turn charts made by `with_themes` into the night's."""
    return "".join(f"--chart-{name}:{night};" for name, _day, night in _pairs())


def new_figure(width_in: float, height_in: float, palette: Palette, dpi: float = 110.0) -> Figure:
    """Return an empty figure that draws by itself."""
    figure = Figure(figsize=(width_in, height_in), dpi=dpi, facecolor=palette.paper)
    FigureCanvasAgg(figure)
    return figure


def dress(axes: Any, palette: Palette) -> None:
    """Give axes the colours of the theme."""
    axes.set_facecolor(palette.paper)
    axes.tick_params(colors=palette.ink, which="both")
    axes.xaxis.label.set_color(palette.ink)
    axes.yaxis.label.set_color(palette.ink)
    axes.title.set_color(palette.ink)
    for spine in axes.spines.values():
        spine.set_color(palette.ink)


def written(figure: Figure, picture: Picture) -> bytes:
    """Return the figure as a file, in the language in use."""
    out = io.BytesIO()
    metadata = {"Date": None} if picture == "svg" else None
    translate_figure(figure)
    figure.savefig(
        out, format=picture, dpi=figure.dpi, facecolor=figure.get_facecolor(), metadata=metadata
    )
    return out.getvalue()


# -- labels -------------------------------------------------------------------------------------


def box_of(text: Text) -> Bbox:
    """Return what a label covers, px, its frame included."""
    renderer = _renderer(text.figure)
    if isinstance(text, Annotation):
        text.update_positions(renderer)
    patch: Any = text.get_bbox_patch()
    if patch is None:
        return Text.get_window_extent(text, renderer)
    text.update_bbox_position_size(renderer)
    return Bbox(patch.get_window_extent(renderer))


def labels_of(figure: Figure) -> list[Text]:
    """Return every text of a figure that is seen."""
    figure.draw_without_rendering()
    outside = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not low <= tick.get_loc() <= high:  # never drawn
                    outside |= {tick.label1, tick.label2}
    return [
        one
        for one in figure.findobj(Text)
        if isinstance(one, Text) and one.get_text().strip() and _seen(one) and one not in outside
    ]


def overlapping(figure: Figure) -> list[tuple[str, str]]:
    """Return the pairs of labels of which one covers the other, and those that leave the figure.

    The boxes are the renderer's own.
    """
    boxes = [(one.get_text(), box_of(one)) for one in labels_of(figure)]
    found = [
        (boxes[i][0], boxes[j][0])
        for i in range(len(boxes))
        for j in range(i)
        if _common(boxes[i][1], boxes[j][1]) > 0.0
    ]
    paper = figure.bbox
    return found + [
        (name, "the edge") for name, box in boxes if _common(box, paper) < _size(box) - 1.0
    ]


def shrunk_to_fit(figure: Figure, texts: Iterable[Text], share: float = 0.96) -> None:
    """Make texts smaller until none is wider than this share of the figure."""
    translate_figure(figure)
    for text in texts:
        width = box_of(text).width
        most = share * figure.bbox.width
        if width > most:
            text.set_fontsize(float(text.get_fontsize()) * most / width)


class Labels:
    """Puts labels where they cover neither each other nor, if it can be helped, what is drawn."""

    def __init__(self, figure: Figure) -> None:
        self._figure = figure
        self._wanted: list[tuple[Text, Sequence[tuple[float, float]]]] = []
        self._marks: list[Bbox] = []

    def add(self, label: Text, places: Sequence[tuple[float, float]]) -> None:
        """Ask for a label at one of some places, the best first; the most important label first.

        An annotation's places are its offsets, another text's are positions.
        """
        self._wanted.append((label, places))

    def keep_free(self, x_px: float, y_px: float, radius_px: float) -> None:
        """Tell of a mark that should not be covered."""
        self._marks.append(
            Bbox.from_extents(
                x_px - radius_px, y_px - radius_px, x_px + radius_px, y_px + radius_px
            )
        )

    def settle(self) -> None:
        """Place all of them. Call it when everything else of the figure is there."""
        translate_figure(self._figure)  # before, for words of another language are longer
        own = {label for label, _ in self._wanted}
        taken = [box_of(one) for one in labels_of(self._figure) if one not in own]
        paper = self._figure.bbox
        for label, places in self._wanted:
            best: tuple[float, int, Bbox] | None = None
            for number, place in enumerate(places):
                label.set_position(place)
                box = box_of(label).padded(2.0)
                covered = sum(_common(box, other) for other in taken)
                outside = _size(box) - _common(box, paper)
                marked = sum(_common(box, mark) for mark in self._marks)
                cost = 1e3 * (covered + outside) + marked
                if best is None or cost < best[0]:
                    best = (cost, number, box)
                if cost == 0.0:
                    break
            if best is not None:
                label.set_position(places[best[1]])
                taken.append(best[2])


def around(
    first: tuple[float, float], radii: Sequence[float] = (1.0, 1.5, 2.1, 2.9, 3.8), turns: int = 16
) -> list[tuple[float, float]]:
    """Return offsets around a point: the first one, then others by how little they differ."""
    size, start = math.hypot(*first), math.atan2(first[1], first[0])
    found = []
    for radius in radii:
        for number in range(turns):
            turn = (number + 1) // 2 * (1 if number % 2 else -1) * 2.0 * math.pi / turns
            found.append(
                (
                    radius * size * math.cos(start + turn),
                    radius * size * math.sin(start + turn),
                )
            )
    return found


def _renderer(figure: Any) -> Any:
    return figure.canvas.get_renderer()


def _seen(text: Any) -> bool:
    """Whether a text and all that holds it are shown."""
    if not text.get_visible():
        return False
    axis = getattr(text, "axes", None)
    return axis is None or bool(axis.get_visible())


def _size(box: BboxBase) -> float:
    return float(box.width * box.height)


def _common(one: BboxBase, other: BboxBase) -> float:
    """Area that two boxes have in common, px^2."""
    width = min(one.x1, other.x1) - max(one.x0, other.x0)
    height = min(one.y1, other.y1) - max(one.y0, other.y0)
    return float(width * height) if width > 0.0 and height > 0.0 else 0.0
