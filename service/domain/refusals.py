"""Refusals: what the service will not do, as types that help.

A refusal's docstring is its message, with its fields in braces; its fields are the facts that help. Its kind (the class
it derives from) says what sort of obstacle it is; the web side
gives each kind its status, and nothing below it knows one.
"""

import inspect
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a request: where and what.

    `pointer` is a JSON pointer into the body in the form of a URI fragment (RFC 6901), as `#/shots/3/code`, or empty
    where the fault lies in `place` (`query limit`, `header If-Match`).
    """

    detail: str
    pointer: str = ""
    place: str = ""


# Not frozen: contextlib assigns __traceback__ to an exception that passes through it, which a frozen class forbids.
@dataclass(eq=False)
class Refusal(Exception):
    """The request was refused."""

    # The field at fault, as a JSON pointer into the request's body, where it is always the same.
    POINTER: ClassVar[str | None] = None

    def __str__(self) -> str:
        return self.message().format_map({name: _spoken(value) for name, value in self.facts().items()})

    @classmethod
    def message(cls) -> str:
        """The sentence of this refusal with its fields in braces."""
        return " ".join(inspect.cleandoc(cls.__doc__ or "").split())

    @classmethod
    def slug(cls) -> str:
        """The stable name of this refusal: its class's, in lower case with hyphens."""
        return re.sub(r"(?<!^)(?=[A-Z])", "-", cls.__name__).lower()

    def facts(self) -> Mapping[str, Any]:
        """The fields of this refusal by name."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


def _spoken(value: object) -> object:
    if isinstance(value, tuple | list):
        return ", ".join(str(item) for item in value)
    return value


class Unknown(Refusal):
    """What the request names does not exist."""


class Gone(Refusal):
    """What the request names was there, and is no more."""


class Clash(Refusal):
    """The request contradicts what stands."""


class Unfit(Refusal):
    """The request is well formed, but what it asks for cannot be."""


class Forbidden(Refusal):
    """The key may not do this."""


@dataclass(eq=False)
class UnfitFields(Unfit):
    """The request asks for what cannot be as things stand; `errors` names each field."""

    faults: tuple[Fault, ...]
