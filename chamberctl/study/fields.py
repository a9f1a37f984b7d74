"""How a field of a study is declared: dimension, bounds, help and, for a default, its source.

Each declaration is made once, on the model. The reader, the messages, the saved text, the documents
and the page all read it from there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from chamberctl import quantities

ROOM: Final = "assumed, because most pump rooms are near it"
ABSENT: Final = "assumed, because most systems have none worth counting"

_REQUIRED: Final = "required"
_UNSET: Final = "\0"
_SUFFIXES: Final = {
    "pressure": "_pa", "volume": "_m3", "volume_flow": "_m3_s", "throughput": "_pa_m3_s",
    "conductance_per_pressure": "_m3_s_pa", "length": "_m", "temperature": "_k", "time": "_s",
    "frequency": "_hz", "rotation": "_rpm", "angle": "_deg", "molar_mass": "_kg_mol",
    "viscosity": "_pa_s",
}  # fmt: skip


@dataclass(frozen=True)
class Spec:
    """Declaration of one field.

    ``kind`` is one of quantity, list, pairs, choice, text, whole, table, part and parts; a
    dimension "speed" is a fraction of rated speed, typed in %, as plain fraction, in Hz or rpm.
    Beside its choices, a choice may allow words that begin with ``or_begins``.
    """

    kind: str
    key: str = ""
    dimensions: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    low: str = ""
    high: str = ""
    help: str = ""
    source: str = ""
    default_text: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    least: int = 0
    or_begins: str = ""

    @property
    def dimension(self) -> str:
        """First dimension, or "" for words and tables."""
        return self.dimensions[0] if self.dimensions else ""

    @property
    def unit(self) -> str:
        """Unit in which the field is shown."""
        return self.units[0] if self.units else ""

    def allows(self, word: str) -> bool:
        """Say whether a word is one of the choices, where only some are."""
        free = bool(self.or_begins) and word.startswith(self.or_begins)
        return not self.choices or word in self.choices or free

    def example(self) -> str:
        """Return a text that would be accepted, for messages."""
        if self.choices:
            return f'"{self.choices[0]}"'
        if self.kind in ("text", "table"):
            return '"..."'
        if self.kind == "whole":
            return self.default_text or self.low
        texts = [f'"{example_of(d)}"' for d in self.dimensions]
        if self.kind == "list":
            return f"[{texts[0]}]"
        return f"[[{', '.join(texts)}], ...]" if self.kind == "pairs" else texts[0]


def example_of(dimension: str) -> str:
    """Return a text that is read as this dimension."""
    return "50 %" if dimension == "speed" else quantities.DIMENSIONS[dimension].example


@cache
def to_si(text: str, dimension: str) -> float:
    """Read a text of a declaration; a speed is a fraction here."""
    return quantities.parse(text, "fraction" if dimension == "speed" else dimension)


def _declare(default: Any, spec: Spec) -> Any:
    extra: dict[str, Any] = {"study": asdict(spec)}
    if spec.required:
        return Field(description=spec.help, json_schema_extra=extra)
    return Field(default=default, description=spec.help, json_schema_extra=extra)


def quantity(
    dimension: str, unit: str, help: str, low: str = "", high: str = "", *,
    default: str | None = _UNSET, shown: str = "", source: str = "", key: str = "",
) -> Any:  # fmt: skip
    """Declare one number with a unit; without a default it must be given."""
    required = default == _UNSET
    value = None if default is None or required else to_si(default, dimension)
    text = shown or ("" if default is None or required else default)
    return _declare(value, Spec("quantity", key, (dimension,), (unit,), low, high, help, source,
                                text, required))  # fmt: skip


def quantities_list(
    dimension: str, unit: str, help: str, low: str = "", high: str = "", *, least: int = 1,
    default: tuple[str, ...] | None = (_UNSET,), source: str = "",
) -> Any:  # fmt: skip
    """Declare a list of numbers of one dimension."""
    required = default == (_UNSET,)
    known = () if default is None or required else default
    value = None if default is None else tuple(to_si(text, dimension) for text in known)
    return _declare(value, Spec("list", "", (dimension,), (unit,), low, high, help, source,
                                ", ".join(known), required, least=least))  # fmt: skip


def pairs(
    dimensions: tuple[str, str], units: tuple[str, str], help: str, *, default: Any = _UNSET,
    shown: str = "", source: str = "", least: int = 0,
) -> Any:  # fmt: skip
    """Declare a list of pairs of numbers; without a default it must be given."""
    return _declare(default, Spec("pairs", "", dimensions, units, "", "", help, source, shown,
                                  default == _UNSET, least=least))  # fmt: skip


def choice(
    choices: tuple[str, ...], help: str, *, default: str | None = _UNSET, shown: str = "",
    source: str = "", or_begins: str = "",
) -> Any:  # fmt: skip
    """Declare one word out of a few."""
    required = default == _UNSET
    text = shown or ("" if default is None or required else default)
    return _declare(default, Spec("choice", help=help, source=source, default_text=text,
                                  required=required, choices=choices,
                                  or_begins=or_begins))  # fmt: skip


def words(help: str, *, default: str | None = "", required: bool = False, source: str = "") -> Any:
    """Declare a free text."""
    origin = "" if required else source or "left empty"
    return _declare(default, Spec("text", help=help, source=origin, default_text=default or "",
                                  required=required))  # fmt: skip


def whole(help: str, low: int, high: int, *, default: int | None, source: str,
          shown: str = "") -> Any:  # fmt: skip
    """Declare a whole number."""
    text = shown or str(default)
    return _declare(default, Spec("whole", low=str(low), high=str(high), help=help, source=source,
                                  default_text=text))  # fmt: skip


def table(help: str, *, source: str) -> Any:
    """Declare a table of free texts."""
    return _declare(None, Spec("table", help=help, source=source))


def part(help: str, *, default: Any = _REQUIRED, source: str = "") -> Any:
    """Declare a table with fields of its own."""
    return _declare(default, Spec("part", help=help, source=source, required=default == _REQUIRED))


def parts(help: str, *, key: str = "", least: int = 0, source: str = "") -> Any:
    """Declare an array of tables."""
    return _declare((), Spec("parts", key=key, help=help, source=source, required=least > 0,
                             least=least))  # fmt: skip


class Part(BaseModel):
    """Base of all parts of a study: frozen, nothing unknown, nothing infinite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield (TOML key, remedy) for values that do not go together."""
        yield from ()

    def without_effect(self) -> Iterator[str]:
        """Yield TOML keys of fields that mean nothing beside what else the part says."""
        yield from ()

    @classmethod
    def foreign_keys(cls, table: Mapping[str, str]) -> frozenset[str]:
        """Return TOML keys that do not belong beside what a table says, valid or not."""
        return frozenset()

    @model_validator(mode="after")
    def _agree(self) -> Part:
        found = list(_out_of_bounds(self)) or list(self.contradictions())
        if found:
            text = "; ".join(": ".join(filter(None, item)) for item in found)
            raise PydanticCustomError("study", "{text}", {"text": text, "found": found})
        return self


def _out_of_bounds(model: Part) -> Iterator[tuple[str, str]]:
    for name, spec in specs(type(model)).items():
        value = getattr(model, name)
        if value is None or spec.kind in ("text", "choice", "table", "part"):
            continue
        many = spec.kind in ("list", "pairs", "parts")
        if many and len(value) < spec.least:
            yield spec.key, f"at least {spec.least} needed: {spec.help}"
        if not (spec.low or spec.high):
            continue
        dimension = spec.dimension or "number"
        low = to_si(spec.low, dimension) if spec.low else float("-inf")
        high = to_si(spec.high, dimension) if spec.high else float("inf")
        if not all(low <= item <= high for item in (value if many else (value,))):
            yield spec.key, _bounds_remedy(spec, value, low)


def _bounds_remedy(spec: Spec, value: Any, low: float) -> str:
    if spec.low and spec.high:
        limits = f"must lie between {spec.low} and {spec.high}"
    else:
        limits = f"must be at least {spec.low}" if spec.low else f"must be at most {spec.high}"
    numbers = value if isinstance(value, (list, tuple)) else (value,)
    if spec.dimension == "pressure" and spec.kind != "pairs" and min(numbers) < 0.0:
        return (
            "a pressure counts from perfect vacuum and is never negative; relative pressures are "
            f"not known here, give the absolute one: {limits} ({spec.help})"
        )
    below = spec.dimension == "pressure" and spec.key == "setpoint" and value < low
    outside = (
        "outside the model, which describes pump sets that displace gas and not how gas sticks to "
        "and leaves surfaces: " if below else ""
    )  # fmt: skip
    return f"{outside}{limits} ({spec.help})"


@cache
def specs(model: type[Part]) -> dict[str, Spec]:
    """Return the declarations of a model's fields, by attribute name."""
    found: dict[str, Spec] = {}
    for name, info in model.model_fields.items():
        extra = info.json_schema_extra
        if not isinstance(extra, dict) or "study" not in extra:
            continue
        given: dict[str, Any] = dict(extra["study"])  # type: ignore[arg-type]
        suffix = _SUFFIXES.get((given["dimensions"] or ("",))[0], "")
        given["key"] = given["key"] or name.removesuffix(suffix)
        found[name] = Spec(**given)
    return found
