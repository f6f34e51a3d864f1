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

import pytest
import websocket

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_PATIENCE_S = 60.0  # on a machine that does other work too
NEEDS_BROWSER = pytest.mark.skipif(CHROMIUM is None, reason="NOT TESTED in a browser: install the package chromium")


_LEAST_CONTRAST = 4.5  # W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3
LEAST_TARGET_PX = 44  # the same, 2.5.5

# Relative luminance and contrast as the same guidelines define them, for each text that is shown.
FAINT_TEXTS = """
(() => {
  const parse = (color) => (color.match(/[\\d.]+/g) || []).map(Number);
  const luminance = (rgb) => rgb.slice(0, 3)
    .map((value) => value / 255)
    .map((value) => (value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4))
    .reduce((sum, value, i) => sum + value * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const color = parse(getComputedStyle(at).backgroundColor);
      if (color.length === 3 || color[3] === 1) return color;
    }
    throw new Error("no ground");
  };
  const faint = [];
  let count = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !element.checkVisibility()) continue;
    count += 1;
    const style = getComputedStyle(element);
    const ink = parse(element.closest("svg") ? style.fill : style.color);
    const [high, low] = [luminance(ink), luminance(ground(element))].sort((a, b) => b - a);
    const contrast = (high + 0.05) / (low + 0.05);
    if (!(contrast >= LEAST)) faint.push([walker.currentNode.data.trim(), contrast]);
  }
  return {count, faint};
})()
""".replace("LEAST", str(_LEAST_CONTRAST))


AXE = Path(__file__).parent / "data" / "axe-core" / "axe.min.js"


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
            self._socket = websocket.create_connection(
                f"ws://127.0.0.1:{port}{path}", timeout=_PATIENCE_S, suppress_origin=True
            )
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
        self._process.wait(timeout=_PATIENCE_S)
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

    def open(self, address: Path | str, *, width_px: int, scheme: str) -> None:
        """Load a file or a page as a window of that width in a light or dark scheme shows it."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width_px, height=800, deviceScaleFactor=1, mobile=width_px < 600
        )
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.events.clear()
        self.call("Page.navigate", url=address.as_uri() if isinstance(address, Path) else address)
        self.wait_for_load()

    def wait_for_load(self) -> None:
        """Wait until a page has been loaded since `events` was cleared."""
        self.wait_for("Page.loadEventFired")

    def wait_for(self, method: str) -> dict[str, Any]:
        """Return what the browser told of the first such event since `events` was cleared."""
        while not (found := [event for event in self.events if event.get("method") == method]):
            self.events.append(json.loads(self._socket.recv()))
        return dict(found[0]["params"])

    def tap(self, selector: str) -> None:
        """Press where something is seen, as a finger does; it must be there."""
        box = self.evaluate(
            f"(() => {{ const box = document.querySelector({json.dumps(selector)}).getBoundingClientRect();"
            " return [box.x + box.width / 2, box.y + box.height / 2]; })()"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=box[0], y=box[1], button="left", clickCount=1)

    def take_photo(self, path: Path) -> None:
        """Take a photo with the camera that a page has opened, and wait for the page that follows."""
        chooser = self.wait_for("Page.fileChooserOpened")
        self.events.clear()
        self.call("DOM.setFileInputFiles", backendNodeId=chooser["backendNodeId"], files=[str(path)])
        self.wait_for_load()

    def choose_files(self, selector: str, *paths: Path) -> None:
        """Choose files in a field, as a person does in the dialog."""
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        assert node, selector
        self.call("DOM.setFileInputFiles", nodeId=node, files=[str(path) for path in paths])

    def click(self, selector: str) -> None:
        """Click on what leads to another page, and wait for it."""
        self.events.clear()
        self.evaluate(f"document.querySelector({json.dumps(selector)}).click()")
        self.wait_for_load()

    def barriers(self) -> list[str]:
        """Return what an accessibility checker finds against the guidelines of the W3C up to level AA."""
        self.evaluate(AXE.read_text(encoding="utf-8") + "; true")
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
        found = self.evaluate(f"axe.run(document, {{runOnly: {json.dumps(tags)}}}).then((r) => r.violations)")
        return [f"{v['id']}: {v['help']} {[node['html'][:120] for node in v['nodes']]}" for v in found]

    def complaints(self) -> list[str]:
        """Return what the browser complained of since `events` was cleared."""
        told = [e["params"]["entry"]["text"] for e in self.events if e.get("method") == "Log.entryAdded"]
        return told + [str(e["params"]) for e in self.events if e.get("method") == "Runtime.exceptionThrown"]

    def evaluate(self, expression: str) -> Any:
        """Return the value of an expression in the page, or of its promise, which must be plain data."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def _wait_for_port(self) -> tuple[str, str]:
        file = Path(self._profile.name) / "DevToolsActivePort"
        end = time.monotonic() + _PATIENCE_S
        while time.monotonic() < end:
            lines = file.read_text(encoding="ascii").split() if file.exists() else []
            if len(lines) == 2:
                return lines[0], lines[1]
            time.sleep(0.05)
        raise TimeoutError("The browser did not start.")
