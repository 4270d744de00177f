"""Kinds of values in a brief: numbers with their bounds, names, points; and the table that holds them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, WithJsonSchema
from pydantic_core import PydanticCustomError, PydanticKnownError

from optimizer.base.figures import OBJECTIVES, VARYING
from optimizer.base.texts import unseen


def _visible(text: str) -> str:
    sign = unseen(text)
    if sign:
        raise PydanticCustomError("control_character", "holds {sign}", {"sign": sign})
    return text


Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Fraction = Annotated[Number, Field(ge=0, le=1)]
Efficiency = Annotated[Number, Field(gt=0, le=1)]
Whole = Annotated[int, Strict()]
Text = Annotated[str, Strict()]
Name = Annotated[Text, Field(min_length=1, max_length=1000)]
# Texts that are shown and drawn.
Title = Annotated[Text, Field(max_length=200), AfterValidator(_visible)]
Label = Annotated[Text, Field(min_length=1, max_length=60), AfterValidator(_visible)]
Flag = Annotated[bool, Strict()]
Axis = Literal["x", "y", "z"]
Point2 = tuple[Number, Number]
Point3 = tuple[Number, Number, Number]
Size3 = tuple[Positive, Positive, Positive]
Profile = Annotated[tuple[Point2, ...], Field(min_length=3, max_length=2000)]
# Beyond any pack, so that a slip of the keyboard is an error and no endless search.
CellCount = Annotated[Whole, Field(ge=1, le=5000)]
CountRange = tuple[CellCount, CellCount]
Layers = Annotated[Whole, Field(ge=1, le=20)]
Seed = Annotated[Whole, Field(ge=0, le=2**32 - 1)]
# Names end up in file names and labels.
CompartmentName = Annotated[Text, Field(pattern=r"^\w[\w .+()-]*$", max_length=60), AfterValidator(_visible)]
Names = Annotated[tuple[Name, ...], Field(min_length=1, max_length=10_000)]



def _objective(name: object) -> object:
    if name not in OBJECTIVES:
        *most, last = (f"'{each}'" for each in OBJECTIVES)
        raise PydanticKnownError("literal_error", {"expected": f"{', '.join(most)} or {last}"})
    return name


# An objective's name, or that of one that situations change with a situation's name, or any, behind it.
ObjectiveName = Annotated[
    Text,
    BeforeValidator(_objective),
    WithJsonSchema({"anyOf": [
        {"enum": list(OBJECTIVES), "type": "string"},
        {"pattern": f"^({'|'.join(VARYING)})_[A-Za-z0-9_]+$", "type": "string"},
    ]}),
]  # fmt: skip


class Section(BaseModel):
    """A table of the brief: frozen, and an unknown key in it is an error.

    The text under a key is its description in the JSON Schema, which editors show: what it is, its unit and
    what its default means.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)
