"""Write anew the alerts that the recordings of replay_data are held to; look at the difference after it.

python tests/bench/pin_alerts.py
"""

from __future__ import annotations

import json
from pathlib import Path

from monitor.ferment.emission import AlertChange, AlertState
from monitor.ferment.pipeline import Pipeline
from monitor.replay.archive import found
from monitor.replay.player import play
from monitor.replay.recording import read
from monitor.units import rfc3339_from_ms

ROOT = Path(__file__).parents[2]
PINNED = ROOT / "tests" / "replay" / "pinned_alerts.json"


def alerts_of(folder: Path) -> list[list[str]]:
    """Time, kind and state of every alert that began or ended in a recording."""
    recording = read(folder)
    return [
        [rfc3339_from_ms(emission.at_ms), emission.kind.value, emission.state.value]
        for emission in play(recording, Pipeline(recording.premise))
        if isinstance(emission, AlertChange) and emission.state is not AlertState.PENDING
    ]


def main() -> None:
    """Replay everything and write the file."""
    pinned = {folder.name: alerts_of(folder) for folder in found([ROOT / "replay_data"])}
    # one alert a line, so that a difference reads as a change of one alert
    blocks = []
    for name, alerts in pinned.items():
        lines = ",\n".join(f"    {json.dumps(alert)}" for alert in alerts)
        blocks.append(f"  {json.dumps(name)}: [\n{lines}\n  ]")
    PINNED.write_text("{\n" + ",\n".join(blocks) + "\n}\n")
    print(f"{sum(map(len, pinned.values()))} alerts of {len(pinned)} recordings")


if __name__ == "__main__":
    main()
