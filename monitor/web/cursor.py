"""The place in a list of batches where a page of the API ended, as a word that only the API reads.

It names the last batch of the page by its place in the order and not by its number from the top: a batch that
is started or ended meanwhile moves no other one to another page.
"""

from __future__ import annotations

import base64
import re
from http import HTTPStatus
from typing import Final

from monitor.store.values import Place
from monitor.web.problem import AccessError

_PLAIN: Final = re.compile(r"([0-9]{1,16}) ([a-z0-9-]{1,100})", re.ASCII)


def written(place: Place) -> str:
    """A word made of letters, digits, `-` and `_`."""
    plain = f"{place.pitched_ms} {place.slug}"
    return base64.urlsafe_b64encode(plain.encode()).decode().rstrip("=")


def read(text: str) -> Place:
    """The place that was written; AccessError for a word that is none of ours."""
    try:
        plain = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()
    except ValueError:
        plain = ""
    if found := _PLAIN.fullmatch(plain):
        place = Place(int(found[1]), found[2])
        if written(place) == text:  # the decoder passes over what it does not know
            return place
    raise AccessError(
        f"after = {text[:40]!r}: no place in this list",
        status=HTTPStatus.BAD_REQUEST,
        hint="ask for the address under `next` of the page before as it is, or leave `after` out",
    )
