"""What deploy/ holds is understood by the programs it is for."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"


@pytest.mark.mosquitto
def test_mosquitto_takes_the_sample_configuration(mosquitto, publisher, subscriber):
    """With the sample's own lines and access list, a float's reading reaches carboyd."""
    lines = (DEPLOY / "mosquitto.conf").read_text().splitlines()
    ours = ("listener", "allow_anonymous", "password_file", "acl_file", "persistence", "persistence_location")
    sample = [line for line in lines if line and not line.startswith("#") and line.split()[0] not in ours]
    assert len(sample) >= 4
    users = {"carboyd": "one", "float": "two"}
    broker = mosquitto(users=users, acl=(DEPLOY / "mosquitto.acl").read_text(), extra=sample)
    ear = subscriber(broker, username="carboyd", password="one")
    publisher(broker, "float", "two").send("carboyd/readings/float-1", b"[]")
    (arrival,) = ear.take(1, 10.0)
    assert arrival.payload == b"[]"


def test_systemd_takes_the_unit(tmp_path):
    """systemd-analyze finds no fault in the unit but the program that is not installed here."""
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("systemd-analyze is not installed")
    unit = tmp_path / "carboyd.service"
    text = (DEPLOY / "carboyd.service").read_text()
    unit.write_text(text.replace("/opt/carboyd/bin/carboyd", "/bin/true"))
    done = subprocess.run([tool, "verify", str(unit)], capture_output=True, text=True)
    complaints = [line for line in done.stderr.splitlines() if "carboyd.service" in line]
    assert complaints == []
