"""Draws what a soak measured: a row of marks for each kind of fault, and a panel for each series over the same minutes, as SVG."""

from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape

from tests.faults.slopes import Point, Series

WIDTH, LEFT, RIGHT, TOP = 960, 170, 20, 46
ROW, PANEL, GAP, BOTTOM = 18, 110, 22, 44
TICKS = 4
#: A line is broken where nothing was measured for so long.
BREAK_S = 10.0
_STYLE = """
text { font: 12px sans-serif; fill: #1c1c1c }
.back { fill: #ffffff }
.name { font-weight: bold }
.end { text-anchor: end }
.middle { text-anchor: middle }
.grid { stroke: #d5d5d5 }
.axis { stroke: #1c1c1c }
.line { stroke: #0b5cad; fill: none; stroke-width: 1.3 }
.mark { stroke: #b3430b; stroke-width: 1.5 }
.ended { stroke: #b3430b; stroke-dasharray: 4 3 }
@media (prefers-color-scheme: dark) {
  text { fill: #e6e6e6 }
  .back { fill: #121212 }
  .grid { stroke: #3a3a3a }
  .axis { stroke: #e6e6e6 }
  .line { stroke: #6db3f2 }
  .mark, .ended { stroke: #f0904f }
}
"""


def nice(largest: float) -> float:
    """Return a round number not below a value, for the end of an axis."""
    size = 1.0
    while size * 10 <= largest:
        size *= 10
    while size > largest > 0:
        size /= 10
    return next((size * factor for factor in (1, 1.2, 1.6, 2, 3, 4, 6, 8) if size * factor >= largest), size * 10)


class _Axis:
    """The minutes that all rows and panels share."""

    def __init__(self, lasted_s: float) -> None:
        self.lasted_s = lasted_s

    def x(self, at_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * at_s / self.lasted_s

    def minutes(self) -> Iterator[float]:
        every = next((each for each in (0.1, 0.5, 1, 2, 5, 10, 30) if self.lasted_s / 60 / each <= 12), 60)
        number = 0
        while number * every * 60 <= self.lasted_s:
            yield number * every
            number += 1


def _text(x: float, y: float, words: str, kind: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}">{escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def _marks(axis: _Axis, faults: dict[str, list[float]], top: float) -> Iterator[str]:
    for number, (name, at) in enumerate(faults.items()):
        y = top + number * ROW
        yield _text(LEFT - 8, y + 12, f"{name} ({len(at)})", "end")
        yield _line(LEFT, y + ROW, WIDTH - RIGHT, y + ROW, "grid")
        yield from (_line(axis.x(at_s), y + 3, axis.x(at_s), y + ROW - 2, "mark") for at_s in at)


def _pieces(points: Sequence[Point]) -> Iterator[list[Point]]:
    piece: list[Point] = []
    for point in points:
        if piece and point[0] - piece[-1][0] > BREAK_S:
            yield piece
            piece = []
        piece.append(point)
    if piece:
        yield piece


def _panel(axis: _Axis, series: Series, top: float) -> Iterator[str]:
    largest = nice(max((value for life in series.lives for _, value in life.points), default=1.0) or 1.0)
    yield _text(12, top + PANEL / 2 - 2, series.name, "name")
    yield _text(12, top + PANEL / 2 + 14, f"in {series.unit}")
    for tick in range(TICKS + 1):
        y = top + PANEL * (1 - tick / TICKS)
        yield _line(LEFT, y, WIDTH - RIGHT, y, "grid" if tick else "axis")
        yield _text(LEFT - 8, y + 4, f"{largest * tick / TICKS:g}", "end")
    for life in series.lives:
        for piece in _pieces(life.points):
            placed = (f"{axis.x(at_s):.1f},{top + PANEL * (1 - value / largest):.1f}" for at_s, value in piece)
            yield f'<polyline class="line" points="{" ".join(placed)}"/>'


def draw(
    title: str, lasted_s: float, series: Sequence[Series], faults: dict[str, list[float]], ends: Sequence[float]
) -> str:
    """Return the SVG; instants are seconds since the begin, `ends` those at which the process was ended."""
    axis = _Axis(lasted_s)
    top = TOP + len(faults) * ROW + GAP
    bottom = top + len(series) * (PANEL + GAP)
    parts = [
        '<rect class="back" width="100%" height="100%"/>',
        _text(12, 22, title, "name"),
        *_marks(axis, faults, TOP),
    ]
    for number, one in enumerate(series):
        parts += _panel(axis, one, top + number * (PANEL + GAP))
    parts += [_line(axis.x(at_s), TOP, axis.x(at_s), bottom - GAP, "ended") for at_s in ends]
    parts += [_text(axis.x(minute * 60), bottom, f"{minute:g}", "middle") for minute in axis.minutes()]
    parts.append(
        _text((LEFT + WIDTH - RIGHT) / 2, bottom + 20, "minutes; dashed where the process was ended", "middle")
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {bottom + BOTTOM}" role="img">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n" + "\n".join(parts) + "\n</svg>\n"
    )
