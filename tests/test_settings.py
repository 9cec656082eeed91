"""Configuration: every fault is named, nothing half-valid gets through."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import ConfigurationError
from monitor.notify.digest import DailyAt
from monitor.settings import load

HERE = Path(__file__).parent
BAD = HERE / "config_data"
SAMPLES = sorted((HERE.parent / "config").glob("*.toml"))

SAID = {
    "port-out-of-range.toml": ["mqtt.port = 99999", "65535"],
    "unknown-key.toml": ["mqtt.brokr = 'external'", "no such key"],
    "not-toml.toml": ["not valid TOML", "line 1"],
    "wildcard-inside-topic.toml": ["mqtt.topics[0] = 'cellar/#/readings'", "MQTT topic filter"],
    "certificate-without-tls.toml": ["mqtt", "tls = true"],
    "channel-name-twice.toml": ["notify", "given twice: phone"],
    "repeat-not-a-number.toml": ["notify.repeat_hours = nan", "finite"],
    "three-faults.toml": ["mqtt.broker = 'outer'", "mqtt.keepalive_s = 0", "display.units = 'cubits'"],
}


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import os

    for name in list(os.environ):
        if name.startswith("CARBOYD_") or name == "CREDENTIALS_DIRECTORY":
            monkeypatch.delenv(name)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def test_every_bad_file_has_its_expectation() -> None:
    """No file of faults lies unused."""
    assert {path.name for path in BAD.glob("*.toml")} == set(SAID)


@pytest.mark.parametrize("name", sorted(SAID))
def test_a_bad_file_is_refused_by_file_key_and_value(name: str) -> None:
    """Each file fails with the message that its name promises."""
    with pytest.raises(ConfigurationError) as caught:
        load(BAD / name)
    text = str(caught.value)
    assert str(BAD / name) in text
    for said in SAID[name]:
        assert said in text


def test_all_faults_are_listed_at_once() -> None:
    """Three faults make three lines."""
    with pytest.raises(ConfigurationError) as caught:
        load(BAD / "three-faults.toml")
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_every_shipped_sample_loads(path: Path) -> None:
    """What config/ holds is valid."""
    assert load(path).config_file == path


def test_there_is_a_sample() -> None:
    """The folder of samples is not empty."""
    assert [path.name for path in SAMPLES] == ["carboyd.toml"]


def test_a_missing_named_file_is_a_fault(tmp_path: Path) -> None:
    """A file that was asked for and is not there never means defaults."""
    with pytest.raises(ConfigurationError, match="no such file"):
        load(tmp_path / "absent.toml")


def test_without_a_file_the_embedded_defaults_hold(tmp_path: Path) -> None:
    """No configuration is a whole configuration: embedded broker, SQLite under the XDG data directory."""
    loaded = load(None)
    assert loaded.settings.mqtt.broker == "embedded"
    assert loaded.store_url == f"sqlite:///{tmp_path}/data/carboyd/carboyd.sqlite"


def test_the_environment_beats_the_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """CARBOYD_MQTT__PORT wins over the key in the file, and the other keys of the table stay."""
    path = tmp_path / "carboyd.toml"
    path.write_text('[mqtt]\nbroker = "external"\nport = 1884\nhost = "broker.test"\n')
    monkeypatch.setenv("CARBOYD_MQTT__PORT", "1999")
    settings = load(path).settings
    assert (settings.mqtt.port, settings.mqtt.host) == (1999, "broker.test")


def test_a_secret_comes_from_a_directory_and_is_not_shown(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A file mqtt__password fills the nested key; its text never appears in a repr."""
    (tmp_path / "mqtt__password").write_text("quite secret\n")
    monkeypatch.setenv("CARBOYD_SECRETS_DIR", str(tmp_path))
    path = tmp_path / "carboyd.toml"
    path.write_text('[mqtt]\nbroker = "external"\nusername = "cellar"\n')
    settings = load(path).settings
    assert settings.mqtt.password is not None
    assert settings.mqtt.password.get_secret_value() == "quite secret"
    assert "quite secret" not in repr(settings)


def test_a_fault_in_a_secret_does_not_print_it(tmp_path: Path) -> None:
    """A channel with a wrong name and a URL: the URL is left out of the message."""
    path = tmp_path / "carboyd.toml"
    path.write_text('[[notify.channels]]\nname = "a b"\nurl = 5\n')
    with pytest.raises(ConfigurationError) as caught:
        load(path)
    assert "notify.channels[0].url = (not shown)" in str(caught.value)


@pytest.mark.parametrize("url", ["ftp://h/hush", "http://h/hush hush", "http://h/hush\\u0000", "http://"])
def test_a_heartbeat_goes_to_a_plain_address(tmp_path: Path, url: str) -> None:
    """Anything else is refused at the start, and not shown."""
    path = tmp_path / "carboyd.toml"
    path.write_text(f'[heartbeat]\nurl = "{url}"\n')
    with pytest.raises(ConfigurationError, match="heartbeat") as caught:
        load(path)
    assert "hush" not in str(caught.value)


@pytest.mark.parametrize(
    ("variable", "text", "said"),
    [
        ("CARBOYD_MQTT__TOPICS", "plant/#", "CARBOYD_MQTT__TOPICS = (not shown): a JSON list"),
        ("CARBOYD_MQTT__TOPICS", '["plant/#"', "CARBOYD_MQTT__TOPICS = (not shown): a JSON list"),
        (
            "CARBOYD_MQTT__TOPICS",
            '["plant/#/a"]',
            "CARBOYD_MQTT__TOPICS: mqtt.topics[0] = (not shown): allowed",
        ),
        ("CARBOYD_WEB__TOKENS", "[" * 9_999, "CARBOYD_WEB__TOKENS = (not shown): a JSON list"),
        ("CARBOYD_NUMBERS", "1", "CARBOYD_NUMBERS = (not shown): a JSON list"),
        ("CARBOYD_WEB", '{"tokens": [', "CARBOYD_WEB = (not shown): a JSON object"),
    ],
)
def test_a_list_in_the_environment_is_json(
    variable: str, text: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Anything else is a fault that names the variable, and not what may be secret in it."""
    monkeypatch.setenv(variable, text)
    with pytest.raises(ConfigurationError) as caught:
        load(None)
    (fault,) = caught.value.faults
    assert said in fault


def test_a_list_in_the_environment_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a JSON list."""
    monkeypatch.setenv("CARBOYD_MQTT__TOPICS", '["plant/#", "shed/#"]')
    assert load(None).settings.mqtt.topics == ("plant/#", "shed/#")


def test_a_faulty_secret_is_named_by_its_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A token that stands in its file without a list around it, and a file that is no text."""
    monkeypatch.setenv("CARBOYD_SECRETS_DIR", str(tmp_path))
    secret = tmp_path / "web__tokens"
    secret.write_text("quite-secret-quite-secret\n")
    with pytest.raises(ConfigurationError) as caught:
        load(None)
    assert f"{secret}: web.tokens = (not shown): a JSON list" in str(caught.value)
    assert "quite" not in str(caught.value)
    secret.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigurationError, match="secrets cannot be read"):
        load(None)


def test_a_mistyped_variable_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """CARBOYD_MQQT__HOST would otherwise be ignored without a word."""
    monkeypatch.setenv("CARBOYD_MQQT__HOST", "broker.test")
    with pytest.raises(ConfigurationError, match="CARBOYD_MQQT__HOST"):
        load(None)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("thresholds", "finished_doubt"),
        ("thresholds", "stalled_doubt"),
        ("thresholds", "week_doubt"),
        ("alerts", "nutrient_latest_share"),
    ],
)
def test_a_chance_in_per_cent_is_a_fault(tmp_path: Path, table: str, key: str) -> None:
    """14 for 14 % would call everything finished: a chance or a share lies between 0 and 1."""
    file = tmp_path / "carboyd.toml"
    file.write_text(f"[{table}]\n{key} = 14\n")
    with pytest.raises(ConfigurationError, match=rf"{table}\.{key}.*less than or equal to 1"):
        load(file)
    file.write_text(f"[{table}]\n{key} = 1.0\n")
    assert getattr(getattr(load(file).settings, table).value(), key) == 1.0


def test_a_zone_that_is_none_is_named_beside_the_other_faults(tmp_path: Path) -> None:
    """By its key, with what is allowed, for notices and for the page."""
    file = tmp_path / "carboyd.toml"
    file.write_text('[notify]\ntime_zone = "Mars/X"\nrepeat_hours = -1\n[web]\ntime_zone = "Mars/X"\n')
    with pytest.raises(ConfigurationError) as caught:
        load(file)
    faults = caught.value.faults
    assert len(faults) == 3
    for key in ("notify.time_zone", "web.time_zone"):
        assert any(key in fault and "Mars/X" in fault and "IANA" in fault for fault in faults)


def test_what_goes_by_the_clock_needs_a_zone(tmp_path: Path) -> None:
    """A digest at eight is eight somewhere; with the zone it becomes the time of the digest."""
    file = tmp_path / "carboyd.toml"
    file.write_text('[notify]\ndigest_at = "08:00"\n')
    with pytest.raises(ConfigurationError, match="need time_zone"):
        load(file)
    file.write_text('[notify]\ndigest_at = "8 o\'clock"\ntime_zone = "Europe/Dublin"\n')
    with pytest.raises(ConfigurationError, match=r"notify\.digest_at"):
        load(file)
    file.write_text('[notify]\ndigest_at = "08:00"\ntime_zone = "Europe/Dublin"\ngroup_minutes = 0.5\n')
    notify = load(file).settings.notify
    assert notify.daily == DailyAt(time(8), ZoneInfo("Europe/Dublin"))
    assert notify.policy.group_ms == 30_000


def test_a_browser_stays_signed_in_as_long_as_is_set(tmp_path: Path) -> None:
    """The days of a session reach the page."""
    file = tmp_path / "carboyd.toml"
    file.write_text("[web]\nsession_days = 2.5\n")
    assert load(file).settings.web.value("metric").session_days == 2.5
    file.write_text("[web]\nsession_days = 0\n")
    with pytest.raises(ConfigurationError, match=r"web\.session_days"):
        load(file)


def test_the_hub_says_where_it_is_born(tmp_path: Path) -> None:
    """By default below its prefix; nowhere while it is off."""
    file = tmp_path / "carboyd.toml"
    file.write_text("")
    assert load(file).settings.hub.birth_topics == ()
    file.write_text('[hub]\nenabled = true\nprefix = "house"\n')
    assert load(file).settings.hub.birth_topics == ("house/status",)
    file.write_text('[hub]\nenabled = true\nbirth_topic = "house/+"\n')
    with pytest.raises(ConfigurationError, match=r"hub\.birth_topic"):
        load(file)
