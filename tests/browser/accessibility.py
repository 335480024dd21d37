"""The accessibility checker axe-core, run in the page that a browser shows."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest


def find_serious(browser: Any) -> list[tuple[str, list[str]]]:
    """Rule and places of every serious or critical violation on the page that is open."""
    spec = importlib.util.find_spec("axe_core_python")
    if spec is None or spec.origin is None:
        pytest.skip("the checker (PyPI axe-core-python) is not installed here")
    browser.call("Runtime.evaluate", expression=(Path(spec.origin).parent / "axe.min.js").read_text(encoding="utf-8"))
    answer = browser.call("Runtime.evaluate", expression="axe.run().then((found) => JSON.stringify(found))",
                          wait_s=120.0, awaitPromise=True, returnByValue=True)["result"]["value"]  # fmt: skip
    found = json.loads(answer)
    assert len(found["passes"]) > 10  # it did look
    return [
        (one["id"], [node["html"][:120] for node in one["nodes"][:3]])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]
