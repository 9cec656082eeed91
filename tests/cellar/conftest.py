"""How the property tests of this folder run."""

from __future__ import annotations

from hypothesis import settings

# a machine that is busy with something else must not fail a test of arithmetic
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
