"""A headless browser driven over its debugging protocol, for tests of pages."""

from __future__ import annotations

import itertools
import json
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import websocket

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_START_S = 20.0


class Browser:
    """
    One tab of a Chromium without a window; everything it tells is kept in `events`.

    Times out, as `websocket.WebSocketTimeoutException`, where an answer stays out.
    """

    def __enter__(self) -> Self:
        assert CHROMIUM is not None
        self._profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        options = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run")
        self._process = subprocess.Popen(
            [CHROMIUM, *options, "--remote-debugging-port=0", f"--user-data-dir={self._profile.name}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._ids = itertools.count(1)
        self.events: list[dict[str, Any]] = []
        try:
            port, path = self._wait_for_port()
            self._socket = websocket.create_connection(f"ws://127.0.0.1:{port}{path}", timeout=20, suppress_origin=True)
            self._session: str | None = None
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self.call(f"{domain}.enable")
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if hasattr(self, "_socket"):
            self._socket.close()
        self._process.terminate()
        self._process.wait(timeout=20)
        self._profile.cleanup()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Return the answer to one command of the protocol."""
        number = next(self._ids)
        message = {"id": number, "method": method, "params": params}
        self._socket.send(json.dumps(message if self._session is None else message | {"sessionId": self._session}))
        while True:
            answer: dict[str, Any] = json.loads(self._socket.recv())
            if answer.get("id") == number:
                assert "error" not in answer, answer["error"]
                return dict(answer["result"])
            self.events.append(answer)

    def open(self, path: Path, *, width_px: int, scheme: str) -> None:
        """Load a file as a window of that width in a light or dark scheme shows it."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width_px, height=800, deviceScaleFactor=1, mobile=width_px < 600
        )
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.events.clear()
        self.call("Page.navigate", url=path.as_uri())
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self.events.append(json.loads(self._socket.recv()))

    def evaluate(self, expression: str) -> Any:
        """Return the value of an expression in the page, or of its promise, which must be plain data."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def _wait_for_port(self) -> tuple[str, str]:
        file = Path(self._profile.name) / "DevToolsActivePort"
        end = time.monotonic() + _START_S
        while time.monotonic() < end:
            lines = file.read_text(encoding="ascii").split() if file.exists() else []
            if len(lines) == 2:
                return lines[0], lines[1]
            time.sleep(0.05)
        raise TimeoutError("The browser did not start.")
