"""Faults as answers: problem details (RFC 9457) for programs, the same words on a page for people."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import quote

from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse

from monitor.errors import (
    CalibrationError,
    CarboydError,
    ConfigurationError,
    DeliveryError,
    InputError,
    NotFoundError,
    PayloadError,
    StoreError,
    StoreUnavailableError,
)

MEDIA: Final = "application/problem+json"


class AccessError(CarboydError):
    """Something that this visitor may not see or do, or not so often; `status` is the HTTP status."""

    def __init__(self, message: str, *, status: HTTPStatus, hint: str = "", wait_s: int = 0) -> None:
        super().__init__(message, hint=hint)
        self.status = status
        self.wait_s = wait_s


class ChangedMeanwhileError(CarboydError):
    """What was to be changed is no longer what the visitor read (RFC 9110, `If-Match`)."""


STATUS: Final[tuple[tuple[type[CarboydError], HTTPStatus], ...]] = (
    (StoreUnavailableError, HTTPStatus.SERVICE_UNAVAILABLE),
    (NotFoundError, HTTPStatus.NOT_FOUND),
    (ChangedMeanwhileError, HTTPStatus.PRECONDITION_FAILED),
    (StoreError, HTTPStatus.CONFLICT),
    (InputError, HTTPStatus.UNPROCESSABLE_ENTITY),
    (CalibrationError, HTTPStatus.UNPROCESSABLE_ENTITY),
    (PayloadError, HTTPStatus.UNPROCESSABLE_ENTITY),
    (DeliveryError, HTTPStatus.BAD_GATEWAY),
)
"""The first that fits counts."""


@dataclass(frozen=True, slots=True)
class Problem:
    """What went wrong, in the members of RFC 9457."""

    status: HTTPStatus
    title: str
    detail: str
    hint: str = ""
    faults: tuple[str, ...] = ()
    wait_s: int = 0

    def document(self, instance: str) -> dict[str, Any]:
        """The problem details object; `hint` and `faults` are extension members."""
        members: dict[str, Any] = {
            "type": "about:blank",
            "title": self.title,
            "status": int(self.status),
            "detail": self.detail,
            "instance": instance,
        }
        if self.hint:
            members["hint"] = self.hint
        if self.faults:
            members["faults"] = list(self.faults)
        return members

    def headers(self) -> dict[str, str]:
        """Headers that belong to the status."""
        headers = {"Cache-Control": "no-store"}
        if self.wait_s:
            headers["Retry-After"] = str(self.wait_s)
        if self.status is HTTPStatus.UNAUTHORIZED:
            headers["WWW-Authenticate"] = 'Bearer realm="carboyd"'
        return headers

    def response(self, request: Request) -> JSONResponse:
        """The answer for a program."""
        return JSONResponse(
            self.document(quote(request.scope["path"])), int(self.status), self.headers(), media_type=MEDIA
        )


def problem_of(error: Exception) -> Problem | None:
    """The problem that an exception stands for; None for one that nobody raised on purpose."""
    if isinstance(error, AccessError):
        return Problem(error.status, error.status.phrase, str(error), hint=error.hint, wait_s=error.wait_s)
    if isinstance(error, ValidationError):
        faults = tuple(_fault(one) for one in error.errors(include_url=False))
        status = HTTPStatus.UNPROCESSABLE_ENTITY
        return Problem(status, status.phrase, "; ".join(faults), faults=faults)
    if isinstance(error, HTTPException):
        status = HTTPStatus(error.status_code)
        return Problem(status, status.phrase, error.detail or status.description)
    if not isinstance(error, CarboydError):
        return None
    status = next((to for kind, to in STATUS if isinstance(error, kind)), HTTPStatus.INTERNAL_SERVER_ERROR)
    faults = tuple(error.faults) if isinstance(error, ConfigurationError) else ()
    wait_s = 5 if status is HTTPStatus.SERVICE_UNAVAILABLE else 0
    return Problem(status, status.phrase, str(error), error.hint, faults, wait_s)


def _fault(one: Any) -> str:
    where = ".".join(str(part) for part in one["loc"])
    message = str(one["msg"]).removeprefix("Value error, ")
    return f"{where}: {message}" if where else message
