"""Which version of the plugin contract a plugin was made for, and what becomes of one made for another.

A plugin says it once, in the module that its entry point names or in the package around it:

    FETTLEBOX_CONTRACT = 2

The number goes up when something that plugins rely on changes or goes; new hooks, fields with a default and
new helpers leave it as it is. The engine speaks CONTRACT and, through a shim, the one before: such a plugin
works and is noted. An older or a later one is set aside with a sentence.

    1  steps, graders that are given the part alone, notifiers. A plugin of then says no number.
    2  readers, writers, fact collectors, painters, observers; graders are given the scan's origin as well;
       `Step.api_version` and `API_VERSION` became FETTLEBOX_CONTRACT
"""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Any

from .api import Grader

CONTRACT = 2
BEFORE_NUMBERS = 1
SAID_AS = "FETTLEBOX_CONTRACT"


class UnusableError(TypeError):
    """What a plugin brings cannot be used, and why, in a sentence of ours."""


def contract_of(module: str, otherwise: int = BEFORE_NUMBERS) -> int:
    """What a loaded module says, or the package around it; `otherwise` if neither says anything, which of an
    entry point is the contract of before numbers were said. Raises UnusableError if it says no number.
    """
    for name in (module, module.partition(".")[0]):
        said = _said_in(name)
        if said is not None:
            return said
    return otherwise


def said_beside(module: str) -> int | None:
    """What a loaded module says, the package around it, or else another loaded module of that package: which
    of them an entry point names is not known of a function alone. None if nobody says anything. Raises
    UnusableError if one says no number.
    """
    package = module.partition(".")[0]
    others = sorted(name for name in sys.modules if name.startswith(f"{package}."))
    said = (_said_in(name) for name in (module, package, *others))
    return next((number for number in said if number is not None), None)


def _said_in(name: str) -> int | None:
    said = getattr(sys.modules.get(name), SAID_AS, None)
    if said is not None and (not isinstance(said, int) or isinstance(said, bool)):
        raise UnusableError(f"{SAID_AS} in {name} is {said!r}; expected a whole number, such as {CONTRACT}")
    return said


def require_spoken(made_for: int) -> None:
    """Raises UnusableError, whose sentence says what to do, for a contract that no shim leads on from."""
    if made_for not in (CONTRACT, CONTRACT - 1):
        do = "Install a later Fettlebox, or an earlier version of the plugin"
        do = do if made_for > CONTRACT else "Install a later version of the plugin"
        speaks = f"this engine speaks {CONTRACT} and {CONTRACT - 1}"
        raise UnusableError(f"made for plugin contract {made_for}; {speaks}. {do}")


def brought_up(hook: Any, made_for: int) -> Any:
    """A hook as this engine calls it."""
    return hook if made_for == CONTRACT else _from_1(hook)


def note_on(made_for: int) -> str:
    """What the author of a plugin made for the contract before this one should know; "" for this one."""
    if made_for == CONTRACT:
        return ""
    return (
        f"works as made for plugin contract {made_for}, which contract {CONTRACT + 1} will end; "
        f"mend what {CONTRACT} changed and write {SAID_AS} = {CONTRACT} in its module"
    )


def _from_1(hook: Any) -> Any:
    """Graders of contract 1 know of no origin."""
    if isinstance(hook, Grader):
        grade_part: Any = hook.grade
        return replace(hook, grade=lambda part, origin: grade_part(part))
    return hook
