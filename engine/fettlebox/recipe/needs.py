"""The list `needs`: what a machine must have, beside the usual, to work on a recipe's jobs."""

from __future__ import annotations

import re

from .nodes import Node, Problems, quoted
from .placeholders import NAME

NO_TAG = "memory"  # every worker of a cluster has some: it is asked for by the size of a scan
MOST_TAGS = 16


def read_needs(node: Node | None, problems: Problems) -> tuple[str, ...]:
    """The tags, each once, in the order of the alphabet."""
    if node is None:
        return ()
    if not isinstance(node.value, list) or len(node.value) > MOST_TAGS:
        problems.add(node, ("needs",), node.shown(), "a list of tags, such as [gpu]")
        return ()
    tags: set[str] = set()
    for index, one in enumerate(node.value):
        if not isinstance(one.value, str) or re.fullmatch(NAME, one.value) is None or one.value == NO_TAG:
            hint = "memory is asked for by the size of the scan" if one.value == NO_TAG else ""
            expected = "a tag such as gpu: small letters, digits, - and _"
            problems.add(one, ("needs", index), one.shown(), expected, hint)
        elif one.value in tags:
            problems.add(one, ("needs", index), f"{quoted(one.value)} a second time", hint="keep one")
        tags.add(str(one.value))
    return tuple(sorted(tags))
