"""A headless Chromium that opens one page at a width and in a theme, measures it and takes its picture. Tests only."""

from __future__ import annotations

import base64
import itertools
import json
import shutil
import subprocess
import time
import urllib.request
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --hide-scrollbars --remote-debugging-port=0 --remote-allow-origins=*"
).split()


class Browser:
    """One running browser with one tab. profile: an empty folder of its own."""

    def __init__(self, profile: Path) -> None:
        import websocket

        assert PROGRAM is not None
        self._process = subprocess.Popen(
            [PROGRAM, *_FLAGS, f"--user-data-dir={profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        port_file = profile / "DevToolsActivePort"
        for _ in range(600):  # on a busy machine it starts slowly
            if port_file.exists() and port_file.read_text().count("\n"):
                break
            time.sleep(0.1)
        else:
            self._process.kill()
            self._process.wait()
            raise TimeoutError("the browser did not start within a minute")
        port = port_file.read_text().split("\n")[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=10) as answer:
            tab = next(t for t in json.load(answer) if t["type"] == "page")
        self._socket = websocket.create_connection(tab["webSocketDebuggerUrl"], timeout=20)
        self._ids = itertools.count(1)

    def ask(self, method: str, **params: object) -> dict[str, Any]:
        number = next(self._ids)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == number:
                assert "error" not in answer, answer["error"]
                return dict(answer["result"])

    def show(self, html: str, *, width_px: int, theme: str, media: str = "screen") -> None:
        """Show a page. theme: "light" or "dark"; media: "screen" or "print"."""
        self.ask(
            "Emulation.setDeviceMetricsOverride", width=width_px, height=844, deviceScaleFactor=1, mobile=width_px < 600
        )
        features = [{"name": "prefers-color-scheme", "value": theme}]
        self.ask("Emulation.setEmulatedMedia", media=media, features=features)
        frame = self.ask("Page.getFrameTree")["frameTree"]["frame"]["id"]
        self.ask("Page.setDocumentContent", frameId=frame, html=html)

    def value(self, expression: str) -> Any:
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def picture(self) -> bytes:
        return base64.b64decode(self.ask("Page.captureScreenshot", captureBeyondViewport=True)["data"])

    def close(self) -> None:
        self._socket.close()
        self._process.terminate()
        self._process.wait(timeout=20)
