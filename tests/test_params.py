from __future__ import annotations

import pickle
from typing import Literal

import pytest
from fettlebox.params import Data, Length, Measured, Ratio, StepParams, Time, kind_of, quantity
from fettlebox.quantities import LENGTH
from pydantic import ValidationError


class Params(StepParams):
    wall: Length = quantity("2 mm", at_least="0.4 mm", at_most="1 cm", about="Thickness.")
    share: Ratio | None = quantity(None, at_most="50 %", about="A share.")
    wait: Time = quantity("1 min", about="A time.")
    room: Data = quantity("1 GB", about="A size.")
    up_to: Length = quantity("1 in", alias="up to", about="A bound.")


def test_quantities_become_numbers_in_the_base_unit() -> None:
    params = Params.model_validate({"wall": "1/4 cm", "share": "12 %", "up to": "3 mm"})
    assert (params.wall, params.share, params.up_to) == (2.5, 0.12, 3.0)
    assert (params.wait, params.room) == (60.0, 1000.0)


def test_defaults_are_written_as_in_a_recipe_and_read_the_same() -> None:
    assert (Params().wall, Params().share, Params().up_to) == (2.0, None, 25.4)


def test_parameters_are_written_with_their_units_and_read_back() -> None:
    params = Params.model_validate({"wall": "3 mm", "share": "5 %"})
    written = params.model_dump(mode="json", by_alias=True)
    assert written == {"wall": "3 mm", "share": "5 %", "wait": "60 s", "room": "1000 MB", "up to": "25.4 mm"}
    assert Params.model_validate(written) == params


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"wall": "0.3 mm"}, "0.3 mm is out of range; expected at least 0.4 mm"),
        ({"wall": "2 cm"}, "20 mm is out of range; expected at most 1 cm"),
        ({"share": "60 %"}, "60 % is out of range; expected at most 50 %"),
        ({"wall": 2}, "2 has no unit"),
        ({"wal": "2 mm"}, "Extra inputs are not permitted"),
        ({"wall": float("nan")}, "has no unit"),
    ],
)
def test_wrong_parameters_are_refused(given: dict[str, object], sentence: str) -> None:
    with pytest.raises(ValidationError, match=sentence):
        Params.model_validate(given)


def test_a_default_out_of_its_own_range_is_found() -> None:
    class Wrong(StepParams):
        wall: Length = quantity("0.1 mm", at_least="0.4 mm", about="Thickness.")

    with pytest.raises(ValidationError, match="out of range"):
        Wrong()


def test_parameters_never_change() -> None:
    with pytest.raises(ValidationError):
        Params().wall = 3.0  # type: ignore[misc]


def test_the_schema_tells_pattern_bounds_and_words() -> None:
    wall = Params.model_json_schema(by_alias=True)["properties"]["wall"]
    assert wall["pattern"] == LENGTH.pattern
    assert (wall["x-at-least"], wall["x-at-most"]) == ("0.4 mm", "1 cm")
    assert (wall["default"], wall["description"]) == ("2 mm", "Thickness.")
    assert "up to" in Params.model_json_schema(by_alias=True)["properties"]


def test_the_kind_is_found_inside_a_union() -> None:
    field = Params.model_fields["share"]
    kind = kind_of(field.metadata, field.annotation)
    assert kind is not None and kind.name == "ratio"


class Either(StepParams):
    at: Length | Ratio | Literal["auto"] = quantity(
        "auto", at_least="2 mm", at_most="90 %", about="A height."
    )


@pytest.mark.parametrize(
    ("given", "value", "kind"), [("30 mm", 30.0, "length"), ("3 cm", 30.0, "length"), ("30 %", 0.3, "ratio")]
)
def test_a_field_of_two_kinds_remembers_which_was_given(given: str, value: float, kind: str) -> None:
    for params in (Either.model_validate({"at": given}), pickle.loads(pickle.dumps(Either(at=given)))):  # type: ignore[arg-type]
        assert isinstance(params.at, Measured)
        assert (float(params.at), params.at.kind) == (value, kind)
        written = params.model_dump(mode="json")
        assert written == {"at": "30 %" if kind == "ratio" else "30 mm"}
        assert Either.model_validate(written) == params


def test_a_word_beside_a_quantity_is_written_as_it_is() -> None:
    assert Either().model_dump(mode="json") == {"at": "auto"}


def test_a_bound_counts_for_values_of_its_own_kind() -> None:
    Either.model_validate({"at": "50 %"})  # 0.5 is no length under 2 mm
    Either.model_validate({"at": "5 mm"})  # 5 is no share over 90 %
    for wrong, bound in (("1 mm", "at least 2 mm"), ("95 %", "at most 90 %")):
        with pytest.raises(ValidationError, match=bound):
            Either.model_validate({"at": wrong})


def test_a_field_of_one_kind_is_a_plain_number() -> None:
    assert type(Params().wall) is float
