"""What every table of the configuration file shares: frozen, finite, no unknown key."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StrictFloat, StrictInt
from pydantic_core import PydanticCustomError

__all__ = ["LINE_BIN", "Constant", "Problem", "Range", "Section", "Text", "key", "raise_problems"]

LINE_BIN = 256
"""Lines in one bin of every per-line statistic; bins are anchored at line 0 of the strip."""

Column = Annotated[StrictInt, Field(ge=0, le=1_000_000)]
Range = tuple[Column, Column]
Text = Annotated[str, Field(min_length=1)]
Constant = StrictInt | StrictFloat | Text
Problem = tuple[str, Any, str]
"""A finding of a check across keys: dotted key, value received, what is allowed."""


class Section(BaseModel):
    """A table of the file."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def key(
    text: str,
    *,
    default: Any = ...,
    unit: str = "",
    example: Any = None,
    form: str = "",
    shown: bool = False,
    **limits: Any,
) -> Any:
    """State a key of the file once.

    Parameters
    ----------
    text : str
        What it means.
    default : object
        Its default; required without one, optional when None.
    unit : str
        Its unit.
    example : object
        Value for the reference file where there is no default.
    form : str
        What is allowed, in words, where the generated words would not help.
    shown : bool
        Give the example in the reference file although the key is optional.
    **limits
        Limits as pydantic's ``Field`` takes them.

    Returns
    -------
    Field
    """
    extra = {"unit": unit, "example": example, "form": form, "shown": shown}
    return Field(default, description=text, json_schema_extra=extra, **limits)


def raise_problems(problems: list[Problem]) -> None:
    """Hand findings to pydantic, all at once; nothing happens when there are none."""
    if problems:
        raise PydanticCustomError("across_keys", "keys contradict", {"problems": problems})
