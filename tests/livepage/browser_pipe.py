"""Drives headless Chromium over its debugging pipe: what it asks for, what it complains of, keys, pictures."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest


def find_chromium() -> str | None:
    return shutil.which("chromium") or shutil.which("chromium-browser")


# In CI a missing browser is a failure, elsewhere it is skipped.
needs_chromium = pytest.mark.skipif(
    not os.environ.get("CI") and find_chromium() is None,
    reason="chromium is not installed: the page is not opened in a browser",
)


class Browser:
    """One page in a browser of its own. `complaints`: console errors, exceptions; `asked`: every address asked for."""

    def __init__(self, folder: Path) -> None:
        program = find_chromium()
        assert program is not None
        to_browser_r, self._write = os.pipe()
        self._read, from_browser_w = os.pipe()
        shell = f"exec 3<&{to_browser_r} 4>&{from_browser_w}; exec '{program}' \"$@\""
        options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run"]
        options += ["--disable-background-networking", "--disable-component-update", f"--user-data-dir={folder}"]
        self._process = subprocess.Popen(
            ["bash", "-c", shell, "bash", *options, "--remote-debugging-pipe", "about:blank"],
            pass_fds=(to_browser_r, from_browser_w),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser_r)
        os.close(from_browser_w)
        self._number = 0
        self._rest = b""
        self._session: str | None = None
        self.complaints: list[str] = []
        self.asked: list[str] = []
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(t for t in targets if t["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=page["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        self._session = None
        try:
            self.call("Browser.close")
            self._process.wait(5)
        except (OSError, subprocess.TimeoutExpired, RuntimeError):
            self._process.kill()
            self._process.wait()
        os.close(self._write)
        os.close(self._read)

    def call(self, method: str, wait_s: float = 20.0, **params: Any) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        deadline_s = time.monotonic() + wait_s
        while True:
            answer = self._next(deadline_s)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return dict(answer["result"])

    def _next(self, deadline_s: float) -> dict[str, Any]:
        while b"\0" not in self._rest:
            if not select.select([self._read], [], [], max(0.0, deadline_s - time.monotonic()))[0]:
                raise RuntimeError("the browser does not answer")
            raw = os.read(self._read, 1 << 16)
            if not raw:
                raise RuntimeError("the browser has ended")
            self._rest += raw
        piece, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(piece)
        self._note(message.get("method", ""), message.get("params", {}))
        return message

    def _note(self, method: str, params: dict[str, Any]) -> None:
        if method == "Network.requestWillBeSent":
            self.asked.append(params["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(str(params["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.complaints.append(str(params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.complaints.append(str(params["entry"]))

    def size(self, width: int, height: int) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )

    def open(self, url: str) -> None:
        self.call("Page.navigate", url=url)

    def value(self, expression: str) -> Any:
        return self.call("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def wait_for(self, expression: str, wait_s: float = 10.0) -> Any:
        deadline_s = time.monotonic() + wait_s
        while not (found := self.value(expression)):
            assert time.monotonic() < deadline_s, f"never came: {expression}"
            time.sleep(0.05)
        return found

    def press(self, key: str) -> None:
        text = {"text": key} if len(key) == 1 else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key)

    def picture(self, path: Path) -> bytes:
        raw = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        path.write_bytes(raw)
        return raw
