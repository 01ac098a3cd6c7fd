"""A server of the notebooks, the system's Chromium, and pages that fail a test when something goes astray."""

import os
import subprocess
from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from fertkit.panels import serve

ROOT = Path(__file__).parent.parent.parent
TABLET = {"width": 768, "height": 1024}
DESK = {"width": 1280, "height": 900}


@pytest.fixture(scope="session")
def shots(tmp_path_factory):
    """Give the folder for screenshots: FERTKIT_SCREENSHOTS, or a temporary one."""
    wanted = os.environ.get("FERTKIT_SCREENSHOTS")
    folder = Path(wanted) if wanted else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def start_server(tmp_path_factory):
    """Start servers of notebooks, each with settings of its own, and end them by their own process."""
    started, kept = [], ExitStack()

    def start(*, page=True, room=False, share=False, folder=ROOT / "notebooks"):
        host = serve.local_address() if share else serve.HOST
        home = tmp_path_factory.mktemp("jupyter")
        port, token = serve.free_port(), "a-token-for-tests"
        own = {f"JUPYTER_{name}_DIR": str(home / name) for name in ("CONFIG", "DATA", "RUNTIME")}
        own["JUPYTERLAB_WORKSPACES_DIR"] = str(home / "workspaces")
        own |= kept.enter_context(serve.class_guesses(room))
        if page:
            own |= kept.enter_context(serve.seats(Path(folder)))
        log = (home / "log").open("w")
        process = subprocess.Popen(
            serve.command(Path(folder), page=page, room=room, port=port, host=host),
            env=serve.environment(token) | own,
            stdout=log, stderr=subprocess.STDOUT,
        )  # fmt: skip
        started.append((process, log))
        serve.wait_until_up(process, port, host)
        return Server(port, token, page, host)

    yield start
    kept.close()
    for process, log in started:
        process.terminate()
        process.wait(timeout=30)
        log.close()


class Server:
    """Where a server of notebooks answers."""

    def __init__(self, port, token, page, host):
        self.home, self.token, self.page = f"http://{host}:{port}", token, page

    def address(self, notebook: str) -> str:
        """Give the address of a notebook, token included."""
        path = f"voila/render/{notebook}?" if self.page else f"lab/tree/{notebook}?reset&"
        return f"{self.home}/{path}token={self.token}"


@pytest.fixture(scope="session")
def pages(start_server):
    """Serve the notebooks as pages."""
    return start_server()


@pytest.fixture(scope="session")
def barriers():
    """Give a function that names what keeps people from using a page: serious or critical to axe-core."""
    script = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")

    def find(page):
        page.evaluate(script)
        found = page.evaluate("axe.run().then((all) => all.violations)")
        return [
            (one["id"], [node["html"][:200] for node in one["nodes"]])
            for one in found
            if one["impact"] in ("serious", "critical")
        ]

    return find


@pytest.fixture
def open_page(chromium):
    """Open pages in contexts of their own; fail on page errors, console errors and requests that leave."""
    contexts, astray = [], []

    def open_one(address, size=None, **options):
        context = chromium.new_context(viewport=size or DESK, accept_downloads=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: astray.append(f"page error: {error}"))
        page.on("console", lambda said: said.type == "error" and astray.append(f"console: {said.text}"))
        page.on(
            "response",
            lambda answer: answer.status >= 400 and astray.append(f"{answer.status}: {answer.url}"),
        )
        home = urlsplit(address).hostname
        page.on(
            "request", lambda request: _leaves(request.url, home) and astray.append(f"left: {request.url}")
        )
        page.set_default_timeout(30_000)
        page.goto(address, wait_until="commit", timeout=120_000)
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert not astray


def _leaves(url: str, home: str) -> bool:
    parts = urlsplit(url)
    return parts.scheme in ("http", "https", "ws", "wss") and parts.hostname != home
