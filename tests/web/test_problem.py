"""Faults as problem details."""

from __future__ import annotations

from http import HTTPStatus

import pytest
from pydantic import ValidationError
from starlette.exceptions import HTTPException

from monitor import errors
from monitor.web.bodies import SilenceBody
from monitor.web.problem import AccessError, ChangedMeanwhileError, Problem, problem_of


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (errors.InputError("x"), 422),
        (errors.QuantityError("x"), 422),
        (errors.ConfigurationError(["x"]), 422),
        (errors.RecordingError("x"), 422),
        (errors.CalibrationError("x"), 422),
        (errors.PayloadError("x", kind="k"), 422),
        (errors.NotFoundError("x"), 404),
        (errors.StoreUnavailableError("x"), 503),
        (errors.StoreError("x"), 409),
        (errors.DeliveryError("x", retry=True), 502),
        (errors.CarboydError("x"), 500),
        (AccessError("x", status=HTTPStatus.FORBIDDEN), 403),
        (ChangedMeanwhileError("x"), 412),
        (HTTPException(405), 405),
    ],
)
def test_every_fault_has_its_status(error: Exception, status: int) -> None:
    """Each error raised on purpose becomes one HTTP status."""
    problem = problem_of(error)
    assert problem is not None
    assert problem.status == status


def test_all_errors_of_the_tree_are_mapped() -> None:
    """No error of ours that could grow on the tree is left without an answer."""
    tree = [errors.CarboydError]
    for kind in tree:
        tree += kind.__subclasses__()
    made = {
        "PayloadError": {"kind": "k"},
        "DeliveryError": {"retry": False},
        "AccessError": {"status": HTTPStatus.OK},
    }
    for kind in tree:
        message = ["x"] if issubclass(kind, errors.ConfigurationError) else "x"
        assert problem_of(kind(message, **made.get(kind.__name__, {}))) is not None  # type: ignore[arg-type]


def test_an_accident_is_no_problem_of_ours() -> None:
    """What nobody raised on purpose is not dressed up as an answer."""
    assert problem_of(RuntimeError("secret path")) is None


def test_the_members_are_those_of_rfc_9457() -> None:
    """Section 3.1: type, title, status, detail, instance; extensions only where they say something."""
    problem = Problem(HTTPStatus.NOT_FOUND, "Not Found", "no batch", hint="look")
    assert problem.document("/x") == {
        "type": "about:blank",
        "title": "Not Found",
        "status": 404,
        "detail": "no batch",
        "instance": "/x",
        "hint": "look",
    }


def test_a_wrong_body_names_its_member() -> None:
    """The detail says which member is wrong and why."""
    with pytest.raises(ValidationError) as caught:
        SilenceBody.model_validate_json('{"hours": -1, "colour": "x"}')
    problem = problem_of(caught.value)
    assert problem is not None
    assert [fault.split(":")[0] for fault in problem.faults] == ["hours", "colour"]


def test_who_must_wait_is_told_how_long() -> None:
    """429 and 503 carry Retry-After, 401 carries WWW-Authenticate (RFC 9110)."""
    busy = problem_of(AccessError("x", status=HTTPStatus.TOO_MANY_REQUESTS, wait_s=30))
    stranger = problem_of(AccessError("x", status=HTTPStatus.UNAUTHORIZED))
    assert busy is not None
    assert stranger is not None
    assert busy.headers()["Retry-After"] == "30"
    assert stranger.headers()["WWW-Authenticate"].startswith("Bearer")
