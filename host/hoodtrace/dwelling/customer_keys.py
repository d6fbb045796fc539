"""The keys of customer.toml one by one, as `plan_keys` has those of visit.toml; `customer` uses it when it reads."""

from __future__ import annotations

from typing import Annotated, Required

from pydantic import AfterValidator, ConfigDict, Field, StringConstraints, TypeAdapter
from typing_extensions import TypedDict

from hoodtrace.dwelling.plan_keys import Words, one_line

MOST_PHOTOS = 100
_STRICT = ConfigDict(extra="forbid", strict=True)


def _lines(words: str) -> str:
    for line in words.split("\n"):
        one_line(line)
    return words


Lines = Annotated[str, StringConstraints(max_length=1000), AfterValidator(_lines)]


class PhotoKeys(TypedDict, total=False):
    """`[[photo]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    file: Required[Words]
    caption: Words


class CustomerKeys(TypedDict, total=False):
    """The whole file."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Words
    address: Lines
    contact: Words
    photo: Annotated[list[PhotoKeys], Field(max_length=MOST_PHOTOS)]


CUSTOMER_KEYS = TypeAdapter(CustomerKeys)
