"""One check of the plugin contract, and what is asked of all that plugins bring."""

from __future__ import annotations

import json
import sys
import traceback
from collections.abc import Callable, Iterable, Mapping
from contextlib import redirect_stdout
from dataclasses import dataclass
from functools import partial
from inspect import unwrap
from pathlib import PurePath
from textwrap import shorten
from typing import Any

from pydantic import ValidationError

from ..fact_names import without_unit
from ..made_for import CONTRACT, SAID_AS, note_on, require_spoken, said_beside
from ..own_steps import SHA256
from .watching import ContractError

LONGEST_SAID = 240
"""Characters of what an exception says; some libraries list all that they would have taken."""


UNSAID = "Say here what"
"""How the summary of a step begins that `plugin new` has just made."""


class NothingShownError(ContractError):
    """A check that had nothing to look at: no fault was found, and nothing was shown either."""


class Unmeasured(str):
    """A remark of a check that had nothing to measure, which is no fault."""


@dataclass(frozen=True)
class Outcome:
    """What a check came to.

    fault   what is done against the contract, in a sentence, or None
    remark  what an author should know of a check without a fault, such as the parts that were refused
    shown   whether the check had something to look at
    """

    fault: str | None = None
    remark: str = ""
    shown: bool = True


@dataclass(frozen=True)
class Check:
    """One check of something that a plugin brings. Call it; it raises ContractError where that is broken,
    NothingShownError where there was nothing to look at.

    run  of the trial; a sentence that it returns is a remark
    """

    name: str
    trial: Any
    run: Callable[[Any], str | None]

    def __call__(self) -> None:
        self.run(self.trial)

    def __str__(self) -> str:
        return self.name

    def outcome(self) -> Outcome:
        """What it came to. A check always comes to something: what tears it down is a fault as well. What
        the plugin prints goes to the standard errors.
        """
        try:
            with redirect_stdout(sys.stderr):
                remark = self.run(self.trial) or ""
            return Outcome(remark=str(remark), shown=not isinstance(remark, Unmeasured))
        except NothingShownError as error:
            return Outcome(str(error), shown=False)
        except ContractError as error:
            return Outcome(str(error))
        except (Exception, SystemExit) as error:
            return Outcome(f"the check was torn down by {type(error).__name__}: {error}")

    def fault(self) -> str | None:
        """What is done against the contract, in a sentence; None if all is well."""
        return self.outcome().fault


def said_once(error: ValidationError) -> str:
    """What is wrong with parameters: each with its name, but for what a validator says of them together."""
    return "; ".join(
        f"{'.'.join(map(str, one['loc']))}: {said}" if one["loc"] else said
        for one in error.errors()
        for said in (one["msg"].removeprefix("Value error, "),)
    )


def told_of(error: BaseException, function: Callable[..., Any]) -> str:
    """What an exception says on one line, and where in the file of a plugin's function it came from."""
    said = shorten(f"{type(error).__name__}: {error}", LONGEST_SAID, placeholder=" …")
    code = getattr(unwrap(function), "__code__", None)
    if code is None:
        return said
    file = PurePath(code.co_filename)
    shown = "/".join(file.parts[-2:]) if file.is_absolute() else file.as_posix()
    frames = traceback.extract_tb(error.__traceback__)
    lines = [frame.lineno for frame in frames if frame.filename == code.co_filename]
    return f"{said} ({shown}:{lines[-1]})" if lines else said


def checks_for(
    trial: Any, functions: Iterable[Callable[[Any], str | None]], made_by: Callable[..., Any]
) -> list[Check]:
    """Checks that are called as their functions are, after the one of the contract's number. `made_by` is
    the plugin's own function, whose module has to say it.
    """

    def says_its_number(trial: Any) -> str:
        return require_number(made_by)

    return [
        Check("it says which contract it was made for", trial, says_its_number),
        *(Check(function.__name__.replace("_", " "), trial, function) for function in functions),
    ]


def require_number(function: Callable[..., Any]) -> str:
    """A remark on the contract that a plugin's function was made for, "" if it is the present one. Raises
    ContractError if its module and the package around it say none, or one that the engine does not speak.
    """
    while isinstance(function, partial):
        function = function.func
    module = getattr(function, "__module__", None) or type(function).__module__
    if module == "builtins":
        return "cannot be told of a function that no module of the plugin defines"
    if hasattr(sys.modules.get(module), SHA256) or module.partition(".")[0] == __name__.partition(".")[0]:
        return ""  # a file of a shop's own, and what is of the engine, are made for the engine beside them
    try:
        said = said_beside(module)
    except TypeError as error:
        raise ContractError(str(error)) from None
    if said is None:
        raise ContractError(
            f"neither {module} nor the package around it says which contract it was made for; "
            f"write {SAID_AS} = {CONTRACT} into it"
        )
    try:
        require_spoken(said)
    except TypeError as error:
        raise ContractError(str(error)) from None
    return note_on(said)


def require_facts(facts: object, what: str = "facts") -> None:
    """Raises ContractError for what are no JSON values by name."""
    if not isinstance(facts, Mapping):
        raise ContractError(f"it gives {type(facts).__name__}; expected {what} by name")
    try:
        json.dumps(dict(facts), allow_nan=False)
    except (TypeError, ValueError) as error:
        raise ContractError(f"its {what} are not JSON: {error}") from None


def require_units(facts: Mapping[str, Any]) -> None:
    """Raises ContractError for a fact that measures and does not say in its name what in."""
    for name in without_unit(facts):
        raise ContractError(
            f"its fact {name!r} has no unit in its name, such as _mm or _deg; _ratio for a plain number"
        )
