"""What several tests of the supply share."""

from __future__ import annotations

import pytest
from ampwitness.detect.supply import supply_model


@pytest.fixture
def no_alternator(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests of states, and of how volts are kept: what an alternator gives, the dearest fit, is not asked."""
    monkeypatch.setattr(supply_model, "fit_charging", lambda *_: None)
