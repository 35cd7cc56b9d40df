"""A headless Chromium driven through its DevTools protocol over a pipe: no driver, no socket, nothing but the standard library.

Conventions: messages are JSON ended by a zero byte, on the browser's file descriptors 3 (to it) and 4 (from it).
"""

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time

PROGRAM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
_OPTIONS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--mute-audio",
    "--autoplay-policy=no-user-gesture-required",
    "--remote-debugging-pipe",
)


class BrowserProblem(Exception):
    """The browser answered with an error, or not in time."""


class Browser:
    """One browser with one page. Use as a context manager.

    events: everything the page reported, as (method, params), in order.
    """

    def __enter__(self):
        self._folder = tempfile.TemporaryDirectory(prefix="chromium-", ignore_cleanup_errors=True)
        to_browser, self._to = os.pipe()
        self._from, from_browser = os.pipe()
        command = [PROGRAM, *_OPTIONS, f"--user-data-dir={self._folder.name}", "about:blank"]

        def wire():
            # The two ends may have come to lie on the very numbers they go to.
            spare = os.dup(to_browser), os.dup(from_browser)
            os.dup2(spare[0], 3)
            os.dup2(spare[1], 4)

        self._process = subprocess.Popen(
            command,
            close_fds=False,
            preexec_fn=wire,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._count, self._held, self._session, self.events = 0, b"", None, []
        target = self._page()
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        return self

    def _page(self):
        for _ in range(100):
            pages = [one for one in self.call("Target.getTargets")["targetInfos"] if one["type"] == "page"]
            if pages:
                return pages[0]["targetId"]
            time.sleep(0.1)
        raise BrowserProblem("the browser has no page")

    def __exit__(self, *_):
        with contextlib.suppress(BrowserProblem, OSError):
            self._session = None
            self.call("Browser.close")
        for end in (self._to, self._from):
            os.close(end)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()

    def call(self, method, /, timeout_s=60.0, **params):
        """The answer to a command of the protocol."""
        self._count += 1
        message = {"id": self._count, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + timeout_s
        while True:
            answer = self._next(until)
            if answer.get("id") == self._count:
                if "error" in answer:
                    raise BrowserProblem(f"{method}: {answer['error'].get('message')}")
                return answer["result"]
            self.events.append((answer.get("method"), answer.get("params", {})))

    def _next(self, until):
        while b"\0" not in self._held:
            if not select.select([self._from], [], [], max(0.0, until - time.monotonic()))[0]:
                raise BrowserProblem("no answer in time")
            piece = os.read(self._from, 1 << 20)
            if not piece:
                raise BrowserProblem("the browser has gone")
            self._held += piece
        message, self._held = self._held.split(b"\0", 1)
        return json.loads(message)

    def open(self, address):
        """Load a page and wait until it has."""
        self.events.clear()
        self.call("Page.navigate", url=address)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def evaluate(self, expression):
        """The value of a JavaScript expression, a promise's once it is kept. Raises BrowserProblem where it throws."""
        found = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True, userGesture=True)
        if "exceptionDetails" in found:
            raise BrowserProblem(str(found["exceptionDetails"].get("exception", found["exceptionDetails"]).get("description")))
        return found["result"].get("value")

    def wait(self, condition, timeout_s=30.0):
        """Wait until a JavaScript condition holds."""
        until = time.monotonic() + timeout_s
        while not self.evaluate(condition):
            if time.monotonic() > until:
                raise BrowserProblem(f"never came true: {condition}")
            time.sleep(0.02)

    def size(self, width, height=900, *, scale=1.0):
        """Set the window's inner size in CSS pixels."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=False)

    def colours(self, scheme):
        """Prefer "light" or "dark"."""
        self.call("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": scheme}])

    def press(self, key):
        """Press and let go of a key, "Tab" or "Enter"."""
        more = {"Enter": {"code": "Enter", "windowsVirtualKeyCode": 13, "text": "\r"}, "Tab": {"windowsVirtualKeyCode": 9}}[key]
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, **more)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, **{k: v for k, v in more.items() if k != "text"})

    def picture(self, *, whole=False):
        """A PNG of what is to be seen, or of the whole page."""
        return base64.b64decode(self.call("Page.captureScreenshot", captureBeyondViewport=whole)["data"])

    def printed(self):
        """The page as PDF, A4."""
        return base64.b64decode(self.call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69, printBackground=False)["data"])
