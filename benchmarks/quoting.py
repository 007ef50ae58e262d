"""Put figures into the pages that quote them, and keep the figures beside them.

    python benchmarks/quoting.py build/benchmarks.json [build/shop_model.json]

Copies both to `benchmarks/results/`, with their pictures and without figures of what is called no longer,
and writes the lines between the marks in `README.md` and `benchmarks/README.md` anew. Nobody writes a figure
there by hand.
"""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calls import calls_of, still_called
from rows import Row

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results"
FIGURES, MODEL = "figures.json", "shop_model.json"
BEGIN, END = "<!-- figures: {name} -->", "<!-- end of figures -->"

TELLING = (
    ("recipe quarter-bust, whole job", "script of libraries"),
    ("recipe resin-figurine, whole job", "script of libraries"),
    ("hollow, wall 2 mm", "igl offset_surface"),
    ("layer outlines", "trimesh section_multiplane"),
    ("read binary.stl", "trimesh"),
)
"""Step and other: what the read-me tells, at the largest size there is, won or lost."""


def telling(rows: Sequence[Row]) -> list[Row]:
    """The rows that the read-me quotes."""
    found = []
    for step, against in TELLING:
        same = [row for row in rows if (row.step, row.against) == (step, against)]
        if same:
            found.append(max(same, key=lambda row: row.triangles))
    return found


def lines_of(rows: Sequence[Row]) -> str:
    """Rows as a table in Markdown."""
    lines = [
        "| what | triangles | against | time | memory | quality | verdict |",
        "|---|---:|---|---:|---:|---|---|",
    ]
    for row in rows:
        cells = ["–" if value is None else f"{value:.1f}×" for value in (row.time, row.memory)]
        lines.append(
            f"| {row.step} | {row.triangles:,} | {row.against} | {cells[0]} | {cells[1]} | {row.quality} "
            f"| {row.verdict} |"
        )
    return "\n".join(lines)


def short_lines_of(rows: Sequence[Row]) -> str:
    """The same without quality, which the other page tells."""
    lines = ["| what | triangles | against | time | verdict |", "|---|---:|---|---:|---|"]
    for row in rows:
        time = "–" if row.time is None else f"{row.time:.1f}×"
        lines.append(f"| {row.step} | {row.triangles:,} | {row.against} | {time} | {row.verdict} |")
    return "\n".join(lines)


def current(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Figures without those of calls that `calls.py` has no longer."""
    done = still_called(figures["done"], (*calls_of(False), *calls_of(True)))
    stale = [row for label, each in figures["done"].items() if label not in done for row in each["rows"]]
    rows = [row for row in figures["rows"] if {k: v for k, v in row.items() if k != "verdict"} not in stale]
    failed = {label: trouble for label, trouble in figures["failed"].items() if label in done}
    return {**figures, "rows": rows, "failed": failed, "done": done}


def where_and_when(figures: Mapping[str, Any]) -> str:
    machine = figures["machine"]
    days = sorted(each["when"][:10] for each in figures["done"].values())
    when = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return (
        f"Measured {when} on {machine['cores']} cores with {machine['memory_gb']:.0f} GB, "
        f"{machine['system']}, Python {machine['python']}."
    )


def parts_of(figures: Mapping[str, Any], model: str | None) -> dict[str, str]:
    """Name of a mark → what stands between it and the end."""
    rows = [Row(**{k: v for k, v in row.items() if k != "verdict"}) for row in figures["rows"]]
    when = where_and_when(figures)
    growth = [row for row in rows if row.step.startswith("growth of ")]
    parts = {
        "telling": f"{when}\n\n{short_lines_of(telling(rows))}",
        "all": f"{when}\n\n{lines_of([row for row in rows if row not in growth])}",
        "growth": lines_of(growth),
    }
    if model is not None:
        parts["model"] = model
    return parts


def replaced(text: str, parts: Mapping[str, str]) -> str:
    """A page with its figures anew. Parts that it has no mark for are left out."""
    for name, lines in parts.items():
        begin = BEGIN.format(name=name)
        before, mark, rest = text.partition(begin)
        if mark:
            _, end, after = rest.partition(END)
            if not end:
                raise ValueError(f"{begin} has no {END}")
            text = f"{before}{mark}\n{lines}\n{end}{after}"
    return text


def model_text(model: Mapping[str, Any]) -> str:
    from shop_model import Need, shown

    return shown([Need(**need) for need in model["needs"]], model["limits"], model["run"])


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("figures", type=Path)
    asked.add_argument("model", type=Path, nargs="?")
    given = asked.parse_args()
    RESULTS.mkdir(exist_ok=True)
    figures = current(json.loads(given.figures.read_text("utf-8")))
    (RESULTS / FIGURES).write_text(json.dumps(figures, indent=1, ensure_ascii=False) + "\n", "utf-8")
    for kind in ("ratios", "growth"):
        picture = given.figures.with_name(f"{given.figures.stem}-{kind}.svg")
        if picture.is_file():
            shutil.copyfile(picture, RESULTS / f"{kind}.svg")
    if given.model is not None:
        shutil.copyfile(given.model, RESULTS / MODEL)
    model = RESULTS / MODEL
    text = model_text(json.loads(model.read_text("utf-8"))) if model.is_file() else None
    parts = parts_of(figures, text)
    for page in (ROOT / "README.md", ROOT / "benchmarks" / "README.md"):
        page.write_text(replaced(page.read_text("utf-8"), parts), "utf-8")


if __name__ == "__main__":
    main()
