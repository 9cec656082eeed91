"""The broker's sample configurations, on a real Mosquitto."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.sensors.link import Tls

pytestmark = pytest.mark.mosquitto

DEPLOY = Path(__file__).parents[2] / "deploy"
OURS = ("listener", "allow_anonymous", "password_file", "acl_file", "persistence", "persistence_location")


def test_mosquitto_takes_the_sample_configuration(mosquitto, publisher, subscriber):
    """With the sample's own lines and access list, a float's reading reaches carboyd."""
    lines = (DEPLOY / "mosquitto.conf").read_text().splitlines()
    sample = [line for line in lines if line and not line.startswith("#") and line.split()[0] not in OURS]
    assert len(sample) >= 4
    users = {"carboyd": "one", "float": "two"}
    broker = mosquitto(users=users, acl=(DEPLOY / "mosquitto.acl").read_text(), extra=sample)
    ear = subscriber(broker, username="carboyd", password="one")
    publisher(broker, "float", "two").send("carboyd/readings/float-1", b"[]")
    (arrival,) = ear.take(1, 10.0)
    assert arrival.payload == b"[]"


def test_a_sensor_with_its_own_login_writes_under_its_own_name(mosquitto, publisher, subscriber):
    """What it sends under another name reaches nobody; what it sends under its own does."""
    users = {"carboyd": "one", "float": "two", "float-z": "three"}
    broker = mosquitto(users=users, acl=(DEPLOY / "mosquitto.acl").read_text())
    ear = subscriber(broker, username="carboyd", password="one")
    # a connection each: a broker may end one on which something was forbidden
    for topic, payload in (("carboyd/readings/float-a", b"[1]"), ("carboyd/readings/float-z", b"[2]")):
        publisher(broker, "float-z", "three").send(topic, payload)
    (arrival,) = ear.take(1, 10.0)
    assert arrival.payload == b"[2]"


@pytest.fixture
def composed(mosquitto, tmp_path):
    """A broker on the configuration of the compose file, with what its script makes; and those secrets."""
    folder = tmp_path / "deploy" / "compose"
    shutil.copytree(DEPLOY, tmp_path / "deploy")
    environment = os.environ | {"PATH": f"{os.environ['PATH']}{os.pathsep}/usr/sbin"}
    subprocess.run(
        ["sh", "secrets.sh", "127.0.0.1"], cwd=folder, env=environment, check=True, capture_output=True
    )
    broker = mosquitto(start=False)
    text = (folder / "mosquitto.conf").read_text()
    for inside, here in (
        ("listener 8883", f"listener {broker.port} 127.0.0.1\nuser root"),
        ("/mosquitto/secrets", str(folder / "secrets" / "broker")),
        ("/mosquitto/config/carboyd.acl", str(tmp_path / "deploy" / "mosquitto.acl")),
        ("/mosquitto/data/", f"{broker.folder}/store/"),
        ("log_dest stdout", "log_dest stderr\nlog_type all"),
    ):
        assert inside in text
        text = text.replace(inside, here)
    (broker.folder / "mosquitto.conf").write_text(text)
    broker.start()
    return broker, folder / "secrets"


def test_the_composed_broker_takes_readings_over_tls(composed, publisher, subscriber):
    """A float with its password and the authority's certificate is heard by carboyd with its own."""
    broker, secrets = composed
    ca = secrets / "broker" / "ca.pem"
    password = (secrets / "mqtt__password").read_text()
    ear = subscriber(broker, username="carboyd", password=password, tls=Tls(ca))
    publisher(broker, "float", (secrets / "float_password").read_text(), ca=ca).send(
        "carboyd/readings/f", b"[]"
    )
    (arrival,) = ear.take(1, 10.0)
    assert arrival.payload == b"[]"


def test_the_composed_broker_turns_strangers_away(composed):
    """Without a password nobody connects, however good the connection."""
    broker, secrets = composed
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.tls_set_context(ssl.create_default_context(cafile=str(secrets / "broker" / "ca.pem")))
    answers: list[str] = []

    def heard(_client, _userdata, _flags, reason, _properties) -> None:
        answers.append(str(reason))
        client.disconnect()

    client.on_connect = heard
    client.connect(broker.host, broker.port)
    client.loop_forever(retry_first_connection=False)
    assert answers == ["Not authorized"]
