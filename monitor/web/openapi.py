"""The API's operations and the OpenAPI 3.1 document that follows from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pydantic import BaseModel, TypeAdapter
from pydantic.json_schema import JsonSchemaMode
from starlette.requests import Request
from starlette.responses import Response

from monitor import __version__

PREFIX: Final = "/api/v1"
REFERENCE: Final = "#/components/schemas/{model}"
_FAULTS: Final = {
    "400": "The request cannot be understood.",
    "401": "Sign in first.",
    "403": "Not allowed from there.",
    "404": "There is no such thing.",
    "409": "The store refuses.",
    "412": "It was changed since it was read.",
    "422": "A value is wrong; the detail names it.",
    "503": "Not possible now, as while the store cannot be reached; Retry-After says when to ask again.",
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value in the address, in its path or behind the question mark, or in a header."""

    name: str
    kind: str = "string"
    place: str = "path"
    says: str = ""
    least: int | None = None
    most: int | None = None
    default: int | None = None

    def document(self) -> dict[str, Any]:
        """The parameter object."""
        schema: dict[str, Any] = {"type": self.kind}
        limits = {"minimum": self.least, "maximum": self.most, "default": self.default}
        schema.update({word: value for word, value in limits.items() if value is not None})
        return {
            "name": self.name,
            "in": self.place,
            "required": self.place == "path",
            "schema": schema,
            **({"description": self.says} if self.says else {}),
        }


@dataclass(frozen=True, slots=True)
class Headed:
    """An answer that says something in its headers too."""

    value: Any
    headers: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing that can be asked or done: both the route and its description come from here."""

    method: str
    path: str
    name: str
    says: str
    tag: str
    act: Callable[..., Any]
    """Takes the request, and the checked body where there is one; gives the value of `answer`."""
    body: type[BaseModel] | None = None
    answer: Any = None
    """Type of the answer; None for no content."""
    status: int = 200
    parameters: tuple[Parameter, ...] = ()
    media: str = "application/json"
    optional_body: bool = False
    headers: Mapping[str, str] = field(default_factory=dict)
    """What the headers say that an answer may have."""
    adapter: TypeAdapter[Any] | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        """Make the serialiser once."""
        if self.answer is not None and self.answer is not bytes:
            object.__setattr__(self, "adapter", TypeAdapter(self.answer))

    @property
    def address(self) -> str:
        """The path as Starlette wants it."""
        path = self.path
        for one in self.parameters:
            if one.place == "path" and one.kind == "integer":
                path = path.replace(f"{{{one.name}}}", f"{{{one.name}:int}}")
        return PREFIX + path

    def respond(self, value: Any) -> Response:
        """The answer over HTTP."""
        if isinstance(value, Response):
            return value
        if self.adapter is None:
            return Response(status_code=204)
        headed = value if isinstance(value, Headed) else Headed(value, {})
        body = self.adapter.dump_json(headed.value)
        return Response(body, self.status, headed.headers, media_type="application/json")


Act = Callable[[Request], Any]


def document(operations: Sequence[Operation]) -> dict[str, Any]:
    """The OpenAPI document of these operations."""
    inputs: list[tuple[Any, JsonSchemaMode, TypeAdapter[Any]]] = []
    for one in operations:
        if one.adapter is not None:
            inputs.append(((one.name, "answer"), "serialization", one.adapter))
        if one.body is not None:
            inputs.append(((one.name, "body"), "validation", TypeAdapter(one.body)))
    inputs.append((("problem", "answer"), "serialization", TypeAdapter(ProblemDetails)))
    schemas, shared = TypeAdapter.json_schemas(inputs, ref_template=REFERENCE)
    paths: dict[str, dict[str, Any]] = {}
    for one in operations:
        paths.setdefault(PREFIX + one.path, {})[one.method.lower()] = _operation(one, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "carboyd",
            "version": __version__,
            "description": (
                "Everything the page shows and does. Times are Unix milliseconds in UTC, gravities specific "
                "gravity 20/20 °C, temperatures °C; units are in the names. Faults come as problem details "
                "(RFC 9457)."
            ),
        },
        "paths": paths,
        "components": {
            "schemas": shared.get("$defs", {}),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{"token": []}, {}],
    }


class ProblemDetails(BaseModel):
    """What went wrong (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    hint: str | None = None
    faults: list[str] | None = None


def _operation(one: Operation, schemas: Any) -> dict[str, Any]:
    told: dict[str, Any] = {"description": "Done." if one.adapter is None else "The answer."}
    if one.answer is bytes:
        told["content"] = {one.media: {"schema": {"type": "string", "format": "binary"}}}
        code = one.status
    elif one.adapter is None:
        code = 204
    else:
        told["content"] = {"application/json": {"schema": schemas[((one.name, "answer"), "serialization")]}}
        code = one.status
    if one.headers:
        told["headers"] = {
            name: {"description": says, "schema": {"type": "string"}} for name, says in one.headers.items()
        }
    problem = {"application/problem+json": {"schema": schemas[(("problem", "answer"), "serialization")]}}
    described: dict[str, Any] = {
        "operationId": one.name,
        "summary": one.says,
        "tags": [one.tag],
        "parameters": [parameter.document() for parameter in one.parameters],
        "responses": {
            str(code): told,
            **{status: {"description": says, "content": problem} for status, says in _FAULTS.items()},
        },
    }
    if one.body is not None:
        described["requestBody"] = {
            "required": not one.optional_body,
            "content": {"application/json": {"schema": schemas[((one.name, "body"), "validation")]}},
        }
    return described
