"""Everything that plugins bring, by kind, for people and for scripts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from .catalog import Catalog


@dataclass(frozen=True)
class Brought:
    """One thing that a plugin brings, or why it cannot."""

    kind: str
    name: str
    source: str
    about: str


def brought(catalog: Catalog) -> Iterator[Brought]:
    """Steps, formats, facts, pictures, judges, and who is told; then what is set aside and what will go."""
    for name, step in sorted(catalog.steps.items()):
        yield Brought("step", name, catalog.sources[name], step.summary)
    for suffix, reader in sorted(catalog.readers.items()):
        yield Brought("reader", suffix, catalog.brought_by["readers", suffix], f"Reads a {reader.name}.")
    for form, writer in sorted(catalog.writers.items()):
        exact = f"within {writer.accuracy_mm:g} mm" if writer.accuracy_mm else "with every digit"
        yield Brought("writer", form, catalog.brought_by["writers", form], f"Writes a part {exact}.")
    for key, collector in sorted(catalog.collectors.items()):
        when = "the finished part" if collector.when == "end" else "the part after every step, and at the end"
        yield _of_key("fact collector", key, f"Measures {when}.")
    for key, painter in sorted(catalog.painters.items()):
        yield _of_key("painter", key, painter.caption)
    for grader in catalog.graders:
        yield Brought(
            "grader", grader.name, "", "Judges takes of one subject; the last in the list is asked."
        )
    for notifier in catalog.notifiers:
        yield Brought("notifier", notifier.name, "", "Is told what happens to jobs while a board is served.")
    for key, _ in sorted(catalog.observers.items()):
        yield _of_key("job observer", key, "Is told of every job's course while a shop is served.")
    for bad in catalog.quarantined.values():
        yield Brought("set aside", bad.name, bad.source, bad.reason)
    for note in catalog.notes:
        source, _, said = note.partition(": ")
        yield Brought("to mend", source, source, said)


def counts(catalog: Catalog) -> dict[str, int]:
    """How many of each kind are installed, by the name of so many; none are left out."""
    kinds: dict[str, Any] = {
        "steps": catalog.steps, "readers": catalog.readers, "writers": catalog.writers,
        "fact collectors": catalog.collectors, "painters": catalog.painters, "graders": catalog.graders,
        "notifiers": catalog.notifiers, "job observers": catalog.observers,
    }  # fmt: skip
    return {
        kind if len(found) > 1 else kind.removesuffix("s"): len(found)
        for kind, found in kinds.items()
        if found
    }


def _of_key(kind: str, key: str, about: str) -> Brought:
    source, _, name = key.partition("/")
    return Brought(kind, name, source, about)
