"""Files with a hash of their content in the address."""

from __future__ import annotations

import gzip

from monitor.web.assets import STATIC, Assets, bokeh_folder

from .rooms import Visit


def test_files_are_cached_for_ever_under_their_hash(visit: Visit) -> None:
    """The present address may be kept a year; an old one is answered, but not kept."""
    address = Assets.collect().address("cellar.css")
    answer = visit.get(address)
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert answer.content == (STATIC / "cellar.css").read_bytes()
    old = visit.get("/static/0000000000000000/cellar.css")
    assert old.headers["cache-control"] == "no-cache"
    again = visit.get(address, headers={"if-none-match": answer.headers["etag"]})
    assert again.status_code == 304


def test_bokehjs_comes_from_its_wheel_and_packed(visit: Visit) -> None:
    """BokehJS is the wheel's own file, compressed to what the page's budget allows."""
    address = Assets.collect().address("bokeh.min.js")
    answer = visit.get(address, headers={"accept-encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert answer.content == (bokeh_folder() / "js" / "bokeh.min.js").read_bytes()
    assert answer.num_bytes_downloaded < 400_000
    plain = visit.get(address, headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.content == answer.content


def test_only_known_files_are_served(visit: Visit) -> None:
    """No path leads out of the folder."""
    for name in ("..%2fapp.py", "app.py", "%2e%2e", "bokeh.js"):
        assert visit.get(f"/static/0000000000000000/{name}").status_code == 404


def test_the_page_fits_its_budget(visit: Visit) -> None:
    """A batch's page with its chart: under 450 kB compressed the first time, under 60 kB after."""
    packed = {"accept-encoding": "gzip"}
    page = visit.get("/batches/hedgerow-session", headers=packed).num_bytes_downloaded
    values = visit.get("/batches/hedgerow-session/chart.json?width=1280", headers=packed).num_bytes_downloaded
    assets = Assets.collect()
    files = sum(len(gzip.compress(one.path.read_bytes(), 9)) for one in assets.files.values())
    assert page + values + files < 450_000
    assert page + values < 60_000
