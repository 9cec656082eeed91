"""The plan of a batch, from its own numbers as far as they are known."""

from __future__ import annotations

import math

from monitor.batch.facts import facts_of
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import Plan
from monitor.planning import measured_sg
from monitor.web.gather import Standing
from monitor.web.ports import Ports
from monitor.web.view import BatchView


def plan_of(ports: Ports, stands: Standing, batch: BatchView) -> Plan:
    """What to do from the last bubble to the glass, as if the batch were finished as it stands now.

    Raises InputError naming what has to be known first.
    """
    facts = facts_of(
        stands.sheet,
        gravity_sg=measured_sg(ports.store, stands.sheet, batch.gravity_sg, ports.now_ms()),
        temperature_c=batch.temperature_c,
        added_points=stands.added_points,
        expected_points=math.nan if stands.snapshot is None else stands.snapshot.evidence.expected_points,
    )
    return plan_for(facts, ports.now_ms())
