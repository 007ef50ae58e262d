"""Small plots as SVG inside a page: no script, readable without seeing them."""

from __future__ import annotations

from collections.abc import Sequence

from ..traveler.html import Markup, tag

WIDTH, HEIGHT, ROW = 720, 160, 26


def columns(title: str, days: Sequence[tuple[str, Sequence[float]]], kinds: Sequence[str]) -> Markup:
    """Stacked columns: for each day one number of each kind."""
    most = max((sum(numbers) for _, numbers in days), default=0) or 1
    step = WIDTH / max(len(days), 1)
    bars = []
    for place, (day, numbers) in enumerate(days):
        top = float(HEIGHT)
        for kind, count in zip(kinds, numbers, strict=True):
            high = (HEIGHT - 20) * count / most
            top -= high
            if count:
                told = tag("title", f"{day}: {count:g} {kind}")
                bars.append(
                    tag("rect", told, x=f"{place * step + 1:.1f}", y=f"{top:.1f}",
                        width=f"{max(step - 2, 1):.1f}", height=f"{high:.1f}", class_=f"bar {kind}")
                )  # fmt: skip
    marks = [
        tag("text", day, x=f"{place * step + 1:.1f}", y=HEIGHT + 14, class_="tick")
        for place, (day, _) in enumerate(days)
        if place % max(1, len(days) // 6) == 0
    ]
    base = tag("line", x1=0, x2=WIDTH, y1=HEIGHT, y2=HEIGHT, class_="axis")
    scale = tag("text", f"{most:g}", x=0, y=12, class_="tick")
    return _drawing(title, HEIGHT + 20, [*bars, base, scale, *marks])


def rows(title: str, values: Sequence[tuple[str, float, str]]) -> Markup:
    """Lying bars: name, length, and what is written at the end of the bar."""
    most = max((value for _, value, _ in values), default=0.0) or 1.0
    left, right = 190, 130
    drawn = []
    for place, (name, value, said) in enumerate(values):
        y = place * ROW
        long = (WIDTH - left - right) * value / most
        drawn += [
            tag("text", name, x=0, y=y + 17),
            tag("rect", x=left, y=y + 5, width=f"{max(long, 1):.1f}", height=ROW - 10, class_="bar"),
            tag("text", said, x=f"{left + long + 8:.1f}", y=y + 17, class_="tick"),
        ]
    return _drawing(title, max(len(values) * ROW, ROW), drawn)


def _drawing(title: str, height: int, content: Sequence[Markup]) -> Markup:
    return tag("svg", *content, viewBox=f"0 0 {WIDTH} {height}", role="img", aria_label=title, class_="plot")
