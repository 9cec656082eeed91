"""The life of `carboyd run`: its start, its signals, its state on the broker, and what other commands do."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys

import pytest

pytestmark = pytest.mark.mosquitto

PACK = b'[{"n":"float-1:density","u":"kg/m3","v":1039.0},{"n":"float-1:temperature","u":"Cel","v":18.0}]'


def _command(workplace, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *words, "--config", str(workplace.config)],
        capture_output=True,
        text=True,
        timeout=30,
    )


def test_a_bad_configuration_starts_nothing(workplace):
    """Status 2, every fault with file, key, value and what is allowed; no store is made."""
    workplace.config.write_text('[mqtt]\nbroker = "outer"\nport = 0\ncolour = 1\n')
    done = _command(workplace, "run")
    assert done.returncode == 2
    for said in ("mqtt.broker = 'outer'", "mqtt.port = 0", "mqtt.colour = 1", str(workplace.config)):
        assert said in done.stderr
    assert sorted(path.name for path in workplace.folder.iterdir()) == ["carboyd.toml"]


def test_the_start_says_five_lines(mosquitto, workplace, carboyd):
    """Where it reads from, where data lies, how to point a sensor at it, what the broker keeps."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    text = "\n".join(daemon.greeting)
    for said in (f"{broker.port}", "carboyd.sqlite", "mosquitto_pub", "14 days", "carboyd/readings/#"):
        assert said in text


def test_the_embedded_default_needs_no_configuration(tmp_path, workplace, carboyd):
    """Without a file it listens on loopback, keeps data under XDG_DATA_HOME, says what it forgets."""
    workplace.config.write_text("")
    daemon = carboyd(XDG_DATA_HOME=str(tmp_path / "data"), CARBOYD_MQTT__PORT="28831", CARBOYD_WEB__PORT="0")
    daemon.start()
    text = "\n".join(daemon.greeting)
    assert "127.0.0.1:28831" in text
    assert str(tmp_path / "data" / "carboyd" / "carboyd.sqlite") in text
    assert "keeps nothing while it is down" in text
    assert daemon.end() == 0
    assert (tmp_path / "data" / "carboyd" / "carboyd.sqlite").is_file()


def test_the_will_tells_when_the_daemon_dies(mosquitto, workplace, carboyd, listener):
    """Availability is retained: online while it runs, offline after it was killed."""
    broker = mosquitto()
    workplace.configure(broker)
    ear = listener(broker)
    daemon = carboyd()
    daemon.start()
    ear.wait_for("carboyd/daemon/availability", b"online")
    daemon.end(signal.SIGKILL)
    ear.wait_for("carboyd/daemon/availability", b"offline")


def test_a_batch_started_beside_the_daemon_is_watched(mosquitto, publisher, workplace, carboyd, listener):
    """A batch, its readings and a hand sample show up in the retained state without a restart."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    ear = listener(broker)
    started = _command(
        workplace, "batch", "start", "Test mead", "--gravity-sensor", "float-1", "--kind", "honey"
    )
    assert started.returncode == 0, started.stderr
    publisher(broker).send("carboyd/readings/a", PACK)
    assert _command(workplace, "batch", "sample", "test-mead", "1.0405").returncode == 0
    state = json.loads(ear.wait_for("carboyd/batch/test-mead/state"))
    assert state["batch"] == "test-mead"
    assert state["phase"] in ("unknown", "lag")
    assert _command(workplace, "batch", "end", "test-mead").returncode == 0
    ear.wait_for("carboyd/batch/test-mead/state", b"")


def test_a_hangup_reads_the_configuration_again(mosquitto, publisher, workplace, carboyd):
    """A good new file takes effect; a bad one is named and the old daemon goes on."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    good = workplace.config.read_text()
    workplace.config.write_text(good.replace("[mqtt]", "[mqtt]\nkeepalive_s = 1"))
    daemon.send(signal.SIGHUP)
    assert daemon.said("the new configuration is not used")
    assert daemon.said("mqtt.keepalive_s = 1")
    workplace.config.write_text(good.replace("[mqtt]", '[mqtt]\ntopics = ["elsewhere/#"]'))
    daemon.send(signal.SIGHUP)
    assert daemon.said("the configuration was read again")
    assert daemon.said("subscribed to elsewhere/#")
    publisher(broker).send("elsewhere/float-9", b'[{"n":"density","u":"kg/m3","v":1030}]')
    assert daemon.end() == 0
    daemon.start()
    daemon.end()
    with workplace.store() as store:
        assert [one.sensor for one in store.readings.heard()] == ["float-9"]


def test_a_hangup_with_a_faulty_secret_leaves_the_old_one_running(mosquitto, workplace, carboyd, tmp_path):
    """A token without a list around it: the file is named, the token is not, and nothing ends."""
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    workplace.configure(mosquitto())
    daemon = carboyd(CARBOYD_SECRETS_DIR=str(secrets))
    daemon.start()
    (secrets / "web__tokens").write_text("quite-secret-quite-secret")
    daemon.send(signal.SIGHUP)
    assert daemon.said(f"the new configuration is not used: {secrets}/web__tokens: web.tokens = (not shown)")
    (secrets / "web__tokens").write_text('["quite-secret-quite-secret"]')
    daemon.send(signal.SIGHUP)
    assert daemon.said("the configuration was read again")
    assert daemon.end() == 0
    assert not any("quite" in line for line in daemon.log)


def test_unassigned_sensors_are_stored_and_listed(mosquitto, publisher, workplace, carboyd):
    """A sensor that no batch names is heard all the same."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    publisher(broker).send("carboyd/readings/a", PACK)
    assert daemon.end() == 0
    listed = _command(workplace, "sensors", "--unassigned", "--json")
    assert {one["sensor"] for one in json.loads(listed.stdout)} == {"float-1"}


def test_a_taken_port_is_a_clear_error(mosquitto, workplace):
    """The embedded broker on a port in use: status 2 and what to do."""
    broker = mosquitto()
    workplace.config.write_text(
        f'[mqtt]\nport = {broker.port}\n[web]\nenabled = false\n[store]\nurl = "sqlite:///{workplace.folder}/s.sqlite"\n'
    )
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "run", "--config", str(workplace.config)],
        capture_output=True,
        text=True,
        timeout=60,
        env=dict(os.environ),
    )
    assert done.returncode == 2
    assert "cannot listen" in done.stderr
    assert "choose another port" in done.stderr
