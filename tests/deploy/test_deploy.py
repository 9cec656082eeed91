"""What deploy/ holds is understood by the programs it is for."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from monitor.settings import load
from monitor.settings_influx import InfluxSection

DEPLOY = Path(__file__).parents[2] / "deploy"
COMPOSE = DEPLOY / "compose"
UNITS = ["carboyd.service", "carboyd-work@.service", "carboyd-backup.service", "carboyd-backup.timer"]
MOST_EXPOSED = 2.5


def program(name: str, package: str) -> str:
    """Where it is; skips without it, but fails where everything must be tested."""
    found = shutil.which(name, path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is not installed, and this run must test everything")
        pytest.skip(f"{name} is not installed (on Debian: apt install {package})")
    return found


class TestUnits:
    """Units of systemd, by its own tool."""

    @pytest.mark.parametrize("name", UNITS)
    def test_systemd_finds_no_fault(self, tmp_path, name):
        """Nothing is said of the unit, once the program that is not installed here has a stand-in."""
        tool = program("systemd-analyze", "systemd")
        for unit in UNITS:
            text = (DEPLOY / unit).read_text()
            (tmp_path / unit).write_text(text.replace("/opt/carboyd/bin/carboyd", "/bin/true"))
        done = subprocess.run([tool, "verify", str(tmp_path / name)], capture_output=True, text=True)
        complaints = [line for line in done.stderr.splitlines() if "carboyd" in line]
        assert complaints == []

    def test_a_worker_is_shut_in_like_the_daemon(self):
        """Every line of the daemon's sandbox stands in the worker's unit."""
        daemon, worker = (
            (DEPLOY / name).read_text().partition("CapabilityBoundingSet=")[2]
            for name in ("carboyd.service", "carboyd-work@.service")
        )
        assert daemon == worker

    @pytest.mark.parametrize("name", [unit for unit in UNITS if unit.endswith(".service")])
    def test_little_is_exposed(self, name):
        """systemd's own measure of exposure, 0 to 10 with 10 the worst, is low."""
        tool = program("systemd-analyze", "systemd")
        done = subprocess.run(
            [tool, "security", "--offline=true", "--no-pager", str(DEPLOY / name)],
            capture_output=True,
            text=True,
        )
        (line,) = [line for line in done.stdout.splitlines() if "Overall exposure level" in line]
        assert float(line.split(": ")[1].split()[0]) <= MOST_EXPOSED

    @pytest.mark.parametrize("name", ["carboyd.service", "carboyd-work@.service"])
    def test_the_daemon_is_watched(self, name):
        """Readiness, watchdog and a stop longer than the daemon drains are asked for, of a worker too."""
        lines = (DEPLOY / name).read_text().splitlines()
        for wanted in ("Type=notify", "NotifyAccess=main", "WatchdogSec=3min", "RestartPreventExitStatus=2"):
            assert wanted in lines


@pytest.fixture
def secrets(tmp_path) -> Path:
    """The folder of compose.yaml with what its script makes."""
    program("openssl", "openssl")
    tools = Path(program("mosquitto_passwd", "mosquitto")).parent
    folder = tmp_path / "deploy" / "compose"
    shutil.copytree(DEPLOY, tmp_path / "deploy")
    environment = os.environ | {"PATH": f"{os.environ['PATH']}{os.pathsep}{tools}"}
    subprocess.run(
        ["sh", "secrets.sh", "127.0.0.1"], cwd=folder, env=environment, check=True, capture_output=True
    )
    (folder / "secrets" / "web__password_hash").write_text(
        "$argon2id$v=19$m=65536,t=3,p=4$c2FsdHNhbHQ$aGFzaA\n"
    )
    return folder


class TestCompose:
    """The compose file and what it mounts."""

    def test_the_tool_takes_the_file(self, secrets):
        """docker-compose resolves it without a complaint, every file it names being there."""
        tool = program("docker-compose", "docker-compose")
        done = subprocess.run([tool, "config"], cwd=secrets, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        resolved = yaml.safe_load(done.stdout)
        assert set(resolved["services"]) == {"mosquitto", "influxdb", "carboyd", "grafana"}
        for service in resolved["services"].values():
            for mount in service["volumes"]:
                source = mount.split(":")[0] if isinstance(mount, str) else mount["source"]
                assert not source.startswith("/") or Path(source).exists(), source
        for secret in resolved["secrets"].values():
            assert Path(secret["file"]).is_file()

    def test_only_the_broker_is_open_to_the_network(self):
        """Page and charts listen on loopback, and the history has no port at all."""
        services = yaml.safe_load((COMPOSE / "compose.yaml").read_text())["services"]
        assert services["mosquitto"]["ports"] == ["8883:8883"]
        assert "ports" not in services["influxdb"]
        for name in ("carboyd", "grafana"):
            assert all(port.startswith("127.0.0.1:") for port in services[name]["ports"])

    def test_what_is_secret_is_for_its_owner_alone(self, secrets):
        """The folder is closed to others, the authority's key wholly; a second run changes nothing."""
        assert (secrets / "secrets").stat().st_mode & 0o077 == 0
        assert (secrets / "secrets" / "broker" / "ca.key").stat().st_mode & 0o077 == 0
        before = {path: path.read_bytes() for path in (secrets / "secrets").rglob("*") if path.is_file()}
        subprocess.run(["sh", "secrets.sh", "127.0.0.1"], cwd=secrets, check=True, capture_output=True)
        assert {path: path.read_bytes() for path in before} == before

    def test_the_daemon_takes_its_configuration(self, secrets, monkeypatch):
        """Broker over TLS, history on, page with a password: loaded with the secrets as files."""
        kept = secrets / "for-carboyd"
        kept.mkdir()
        names = yaml.safe_load((COMPOSE / "compose.yaml").read_text())["services"]["carboyd"]["secrets"]
        for name in names:
            shutil.copy(secrets / "secrets" / name, kept / name)
        text = (secrets / "carboyd.toml").read_text()
        (secrets / "here.toml").write_text(
            text.replace("/etc/carboyd/ca.pem", str(secrets / "secrets" / "broker" / "ca.pem"))
        )
        monkeypatch.setenv("CARBOYD_SECRETS_DIR", str(kept))
        settings = load(secrets / "here.toml").settings
        assert settings.mqtt.password.get_secret_value() == (kept / "mqtt__password").read_text()
        assert isinstance(settings.influx, InfluxSection)
        assert settings.influx.target.token == (kept / "influx__token").read_text()
        assert settings.mqtt.effective_port == 8883
        assert settings.web.password_hash is not None

    def test_the_image_gets_what_it_is_built_from(self):
        """The build's context lets through what the package needs and nothing else of the repository."""
        root = DEPLOY.parent
        allowed = {line[1:] for line in (root / ".dockerignore").read_text().split() if line.startswith("!")}
        assert allowed == {"README.md", "monitor", "pyproject.toml"}
        assert all((root / name).exists() for name in allowed)
        context = yaml.safe_load((COMPOSE / "compose.yaml").read_text())["services"]["carboyd"]["build"]
        assert (COMPOSE / context["context"]).resolve() == root
        assert (root / context["dockerfile"]).is_file()


class TestGrafana:
    """Provisioned charts; their queries are asked of a real server in tests/integration/influx."""

    def test_source_and_dashboard_belong_together(self):
        """Every panel asks the provisioned source, which asks the bucket that is forwarded to."""
        folder = COMPOSE / "grafana"
        (source,) = yaml.safe_load((folder / "provisioning/datasources/history.yaml").read_text())[
            "datasources"
        ]
        assert source["jsonData"]["dbName"] == InfluxSection().bucket
        board = json.loads((folder / "dashboards/cellar.json").read_text())
        asked = {target["datasource"]["uid"] for panel in board["panels"] for target in panel["targets"]}
        assert asked == {source["uid"]}
        assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])
        (provider,) = yaml.safe_load((folder / "provisioning/dashboards/cellar.yaml").read_text())[
            "providers"
        ]
        mounts = yaml.safe_load((COMPOSE / "compose.yaml").read_text())["services"]["grafana"]["volumes"]
        assert f"./grafana/dashboards:{provider['options']['path']}:ro" in mounts

    def test_panels_do_not_overlap(self):
        """Each cell of the grid belongs to one panel, and none sticks out."""
        taken = set()
        for panel in json.loads((COMPOSE / "grafana/dashboards/cellar.json").read_text())["panels"]:
            at = panel["gridPos"]
            cells = {
                (x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])
            }
            assert not cells & taken
            assert at["x"] + at["w"] <= 24
            taken |= cells
