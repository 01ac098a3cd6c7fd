"""Open the notebooks on this machine: JupyterLab, or as pages through Voila.

Both listen on the loopback address only, ask for a token made for this run, ask nothing of the network and
take files up to a limit. A room (a course, a field day) gets kernels started beforehand and idle ones ended.
"""

import errno
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import webbrowser
from importlib import import_module
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryFile
from urllib.error import HTTPError, URLError
from urllib.request import urlopen

import fertkit
from fertkit.errors import FertkitError, shorten

HOST = "127.0.0.1"
#: Our page template, and settings of both servers and their kernels.
PAGES = files("fertkit.panels") / "pages"
#: Largest message from a browser [bytes]: above the limit of a panel, so that the panel says what is wrong.
LARGEST_MESSAGE = 100_000_000
#: After how long without use a kernel is ended [s], alone and in a room.
IDLE_ALONE, IDLE_ROOM = 6 * 3600, 30 * 60
#: Kernels kept ready in a room: for the workshop, and for each other notebook.
READY_WORKSHOP, READY_OTHERS = 4, 1
#: After how long a kernel taken is replaced [s]: starting one slows the page just being opened.
REFILL_AFTER = 3
#: Modules that `load_early` loads; heavier ones of single panels are left to them.
NEEDED_EARLY = (
    *(f"fertkit.panels.{name}" for name in ("leaf", "needs", "plan", "trials")),
    "matplotlib.backends.backend_svg", "scipy.special",
)  # fmt: skip
START_WAIT = 60.0


def notebook_folder(folder=None) -> Path:
    """Find the notebooks: the folder given, ``notebooks`` here, or those beside the package.

    Raises
    ------
    FertkitError
        If there are none.
    """
    places = [folder] if folder else ["notebooks", Path(fertkit.__file__).parent.parent / "notebooks"]
    for place in map(Path, places):
        if place.is_dir() and any(place.glob("*.ipynb")):
            return place.resolve()
    looked = " and ".join(str(place) for place in places)
    raise FertkitError(f"no notebooks in {looked}; run this in the folder that holds 'notebooks'")


def free_port() -> int:
    """Give a port that is free now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return probe.getsockname()[1]


def open_port(port: int) -> int:
    """Give a port if it is one and nobody listens on it: a server there would be taken for ours.

    Raises
    ------
    FertkitError
        If it is none, is in use or may not be used.
    """
    if not isinstance(port, int) or not 1 <= port <= 65535:
        raise FertkitError(
            f"there is no port {port}; ports run from 1 to 65535. Leave --port out for a free one"
        )
    with socket.socket() as probe:
        if os.name == "posix":  # else a port just given up would count as taken for a minute
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            taken = error.errno == errno.EADDRINUSE
            why = "is in use by another program" if taken else f"cannot be used ({error.strerror})"
            raise FertkitError(
                f"port {port} {why}; name another, or leave --port out for a free one"
            ) from None
    return port


def command(folder: Path, *, page: bool, room: bool, port: int) -> list[str]:
    """Compose the command that starts the server, without the token.

    Raises
    ------
    FertkitError
        If Voila or JupyterLab is not installed.
    """
    needed, extra = ("voila", "workshop") if page else ("jupyterlab", "notebook")
    if find_spec(needed) is None:
        raise FertkitError(f"this needs {needed}; install it with: pip install 'fertkit[{extra}]'")
    application = "Voila" if page else "ServerApp"
    shared = [
        sys.executable, "-m", needed, str(folder), "--no-browser",
        f"--{application}.ip={HOST}",
        f"--{application}.port={port}",
        f"--{application}.port_retries=0",
        f"--{application}.log_level=ERROR",  # a person at the terminal can do nothing about warnings
        f"--{application}.tornado_settings={{'websocket_max_message_size': {LARGEST_MESSAGE}}}",
        f"--MappingKernelManager.cull_idle_timeout={IDLE_ROOM if room else IDLE_ALONE}",
        "--MappingKernelManager.cull_interval=60",
    ]  # fmt: skip
    if room:
        shared.append("--MappingKernelManager.cull_connected=True")
    return shared + (_page_options(room) if page else _lab_options())


def _page_options(room: bool) -> list[str]:
    options = ["--Voila.auto_token=True", "--template=fertkit", "--classic-tree"]
    if not room:
        return [*options, f"--Voila.config_file_paths=['{PAGES / 'alone'}']"]
    pools = {"default": {"pool_size": READY_OTHERS}, "06_workshop.ipynb": {"pool_size": READY_WORKSHOP}}
    return [
        *options,
        "--preheat_kernel=True",
        f"--VoilaKernelManager.fill_delay={REFILL_AFTER}",
        f"--VoilaKernelManager.kernel_pools_config={pools}",
        "--VoilaKernelManager.preheat_denylist=['answers']",
    ]


def _lab_options() -> list[str]:
    # who runs this as root (a container) has chosen so; the server is on loopback and asks for its token
    as_root = ["--ServerApp.allow_root=True"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    return [
        *as_root,
        "--LabApp.extension_manager=readonly",
        "--ServerApp.terminals_enabled=False",
    ]


def without_rehearsal(request, notebook, cwd):
    """Leave out the hidden cell that only tries a notebook's panel out, before a page is made of it."""
    notebook.cells = [
        one for one in notebook.cells if not one.metadata.get("jupyter", {}).get("source_hidden")
    ]
    return notebook


def load_early(shell) -> None:
    """Load what every panel needs to draw its first figure when a kernel of ours runs its first cell.

    The server of the pages tells each kernel its name before anything else: that is when the modules are
    loaded, while a browser still loads its own part of a page.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
    """

    def load(*_):
        shell.events.unregister("pre_run_cell", load)
        for name in NEEDED_EARLY:
            import_module(name)

    shell.events.register("pre_run_cell", load)


def environment(token: str) -> dict[str, str]:
    """Give the variables the server needs: the token, and where our page template, settings and kernel lie.

    The settings keep JupyterLab from asking the network for news and newer versions.
    """
    found = {
        name: os.pathsep.join(filter(None, [str(PAGES), os.environ.get(name)]))
        for name in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH")
    }
    return os.environ | found | {"JUPYTER_TOKEN": token}


def address(page: bool, port: int, token: str) -> str:
    """Give the address to open in a browser."""
    return f"http://{HOST}:{port}/{'' if page else 'lab'}?token={token}"


def wait_until_up(process: subprocess.Popen, port: int) -> None:
    """Wait until the server answers.

    Raises
    ------
    FertkitError
        If it ends or does not answer.
    """
    deadline = time.monotonic() + START_WAIT
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise FertkitError(f"the server did not start (is port {port} in use?)")
        try:
            urlopen(f"http://{HOST}:{port}/", timeout=2).close()
            return
        except HTTPError:
            return  # it answers, if only to ask for the token
        except (URLError, OSError):
            time.sleep(0.1)
    raise FertkitError(f"the server did not answer within {START_WAIT:.0f} s")


def open_notebooks(page: bool = False, room: bool = False, port: int | None = None, *, folder=None,
                   browser: bool = True) -> int:  # fmt: skip
    """Start the server, open a browser and stay until it is ended with Ctrl-C or by the system.

    Parameters
    ----------
    page : bool
        Show the notebooks as pages (Voila) instead of in JupyterLab.
    room : bool
        Prepare kernels beforehand (pages) and end those idle for half an hour. A class shares this machine,
        or each has its own install: other machines cannot reach the address.
    port : int, optional
        Port to listen on; a free one if not given.
    folder : path, optional
        Where the notebooks lie.
    browser : bool
        Open the address in the default browser.

    Returns
    -------
    int
        Exit status of the server.

    Raises
    ------
    FertkitError
        If the port is none or is in use, there are no notebooks, a package is missing, or the server does
        not start or ends by itself; with the last words of its log.
    """
    port, token = free_port() if port is None else open_port(port), secrets.token_urlsafe(24)
    line = command(notebook_folder(folder), page=page, room=room, port=port)
    in_charge = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGTERM, _end) if in_charge else None
    with TemporaryFile() as log:  # a person at the terminal can do nothing about a server's warnings
        process = subprocess.Popen(line, env=environment(token), stderr=log)
        try:
            wait_until_up(process, port)
            print(f"Open {address(page, port, token)}\nEnd with Ctrl-C.", flush=True)
            if browser:
                webbrowser.open(address(page, port, token))
            if (status := process.wait()) > 0:
                raise FertkitError(f"the server ended by itself (status {status})")
            return status
        except KeyboardInterrupt:
            return 0
        except FertkitError as error:
            raise FertkitError(f"{error}{last_words(log)}") from None
        finally:
            end(process)
            if in_charge:
                signal.signal(signal.SIGTERM, before)


def last_words(log) -> str:
    """What a server said last, to follow a message; "" where it said nothing."""
    log.seek(0)
    lines = [line.strip() for line in log.read().decode(errors="replace").splitlines() if line.strip()]
    return f"; it said last: {shorten(lines[-1], 300)}" if lines else ""


def _end(*_) -> None:
    raise SystemExit(128 + signal.SIGTERM)


def end(process: subprocess.Popen) -> None:
    """End the server, and its kernels with it; by force if it takes too long."""
    if process.poll() is not None:
        return
    process.terminate()
    try:
        process.wait(timeout=20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
