"""Answers that are kept for those who ask again."""

from __future__ import annotations

import threading

from monitor.web.remembered import Remembered


def test_an_answer_is_made_once() -> None:
    """Who asks again gets the same; None is an answer too."""
    made: list[str] = []
    answers: Remembered[str, None] = Remembered(2)
    for _ in range(3):
        assert answers.of("a", lambda: made.append("a")) is None
    assert made == ["a"]


def test_what_was_asked_for_last_is_kept() -> None:
    """An answer that is asked for again outlives a younger one that is not."""
    made: list[str] = []
    answers: Remembered[str, str] = Remembered(2)

    def ask(key: str) -> None:
        answers.of(key, lambda: (made.append(key), key)[1])

    for key in "abacab":
        ask(key)
    assert made == ["a", "b", "c", "b"]


def test_nobody_waits_for_another() -> None:
    """While one works an answer out, another can ask for a second one."""
    answers: Remembered[str, str] = Remembered(2)
    begun, go_on = threading.Event(), threading.Event()

    def slow() -> str:
        begun.set()
        assert go_on.wait(10)
        return "slow"

    thread = threading.Thread(target=answers.of, args=("a", slow))
    thread.start()
    assert begun.wait(10)
    assert answers.of("b", lambda: "quick") == "quick"
    go_on.set()
    thread.join()
    assert answers.of("a", lambda: "again") == "slow"
