"""Open the notebooks: in JupyterLab, or as pages without code through Voila.

Both listen on the loopback address, ask for a token made for this run, ask nothing of the network and take
files up to a limit. A room (a course, a field day) ends kernels that idle; shared, its pages are there for
everybody in the local network who has the address, and nothing else of this machine is.
"""

import ctypes
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
from contextlib import contextmanager, nullcontext
from importlib.resources import files
from importlib.util import find_spec
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory, TemporaryFile
from urllib.error import HTTPError, URLError
from urllib.request import urlopen

import fertkit
from fertkit.errors import FertkitError, installing, shorten
from fertkit.guesses import PLACE
from fertkit.panels import seat

HOST = "127.0.0.1"
#: Our page template, and settings of both servers and their kernels.
PAGES = files("fertkit.panels") / "pages"
#: Largest message from a browser [bytes]: above the limit of a panel, so that the panel says what is wrong.
LARGEST_MESSAGE = 100_000_000
#: After how long without use a kernel is ended [s], alone and in a room.
IDLE_ALONE, IDLE_ROOM = 6 * 3600, 30 * 60
#: The same for pages that others open [bytes]: room for the largest file that a panel reads.
LARGEST_SHARED = 10_000_000
#: Letters of the word that lets others in, and how many: enough that nobody guesses it, few enough to type.
LETTERS, LENGTH = "abcdefghjkmnpqrstuvwxyz23456789", 10
#: How long a server may take to answer [s]: a first start compiles every library; one that ends is told of.
START_WAIT = 180.0
#: In the header of Linux <linux/prctl.h>: the signal a process gets when its parent ends.
PR_SET_PDEATHSIG = 1


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


def local_address() -> str:
    """Give the address of this machine in its local network; nothing is sent to find it.

    Raises
    ------
    FertkitError
        If the machine is in no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): asks for the way only
            found = probe.getsockname()[0]
        except OSError:
            found = HOST
    if found.startswith("127."):
        raise FertkitError("this machine is on no network; join the room's, then share again")
    return found


def open_port(port: int, host: str = HOST) -> int:
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
            probe.bind((host, port))
        except OSError as error:
            taken = error.errno == errno.EADDRINUSE
            why = "is in use by another program" if taken else f"cannot be used ({error.strerror})"
            raise FertkitError(
                f"port {port} {why}; name another, or leave --port out for a free one"
            ) from None
    return port


def command(folder: Path, *, page: bool, room: bool, port: int, host: str = HOST) -> list[str]:
    """Compose the command that starts the server, without the token.

    A host other than the loopback address shares the pages: only questions asked of that very address are
    answered, no file is, and messages are small.

    Raises
    ------
    FertkitError
        If Voila or JupyterLab is not installed.
    """
    needed, extra = ("voila", "workshop") if page else ("jupyterlab", "notebook")
    if find_spec(needed) is None:
        raise FertkitError(f"this needs {needed}", remedy=installing(extra))
    application, module = ("Voila", "fertkit.panels.server") if page else ("ServerApp", needed)
    settings = {"websocket_max_message_size": LARGEST_MESSAGE if host == HOST else LARGEST_SHARED}
    shared = [
        sys.executable, "-m", module, str(folder), "--no-browser",
        f"--{application}.ip={host}",
        f"--{application}.port={port}",
        f"--{application}.port_retries=0",
        f"--{application}.log_level=ERROR",  # a person at the terminal can do nothing about warnings
        f"--{application}.tornado_settings={settings}",
        f"--MappingKernelManager.cull_idle_timeout={IDLE_ROOM if room else IDLE_ALONE}",
        "--MappingKernelManager.cull_interval=60",
    ]  # fmt: skip
    if room:
        shared.append("--MappingKernelManager.cull_connected=True")
    if host != HOST:
        shared += [f"--{application}.identity_provider_class=fertkit.panels.guard.OneHost"]
        shared += [f"--OneHost.host={host}"]
    return shared + (_PAGE_OPTIONS if page else _lab_options())


_PAGE_OPTIONS = [
    "--VoilaConfiguration.multi_kernel_manager_class=fertkit.panels.guard.OfPages",
    "--AsyncKernelManager.client_factory=fertkit.panels.guard.Ready",
    # no page shows formulas, and a price in dollars is none: what would set them is answered and does nothing
    "--Voila.mathjax_url=data:text/javascript,window.MathJax={Hub:{Config(){},Configured(){},Queue(){},"
    "Register:{StartupHook(){}}}}//", "--Voila.mathjax_config=none",
    "--VoilaConfiguration.extension_denylist=jupyterlab_pygments",
    "--Voila.auto_token=True", "--template=fertkit", "--classic-tree",
    "--VoilaConfiguration.progressive_rendering=True", "--VoilaConfiguration.file_allowlist=[]",
]  # fmt: skip


def _lab_options() -> list[str]:
    # who runs this as root (a container) has chosen so; the server is on loopback and asks for its token
    as_root = ["--ServerApp.allow_root=True"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    return [*as_root, "--LabApp.extension_manager=readonly", "--ServerApp.terminals_enabled=False"]


@contextmanager
def seats(folder: Path):
    """Keep a process beside the server that forks a kernel for each page; give the variables that say so."""
    if not seat.can_fork():
        yield {}
        return
    folder = Path(folder).resolve()  # each rehearsal goes to the folder of its notebook
    with TemporaryDirectory() as place:
        address = os.path.join(place, "seats")
        with socket.socket(socket.AF_UNIX) as listening:  # shut here: who asks a dead keeper is refused
            listening.bind(address)
            listening.listen(64)
            keeper = subprocess.Popen(
                [sys.executable, "-m", "fertkit.panels.seat", "keep", str(listening.fileno()), str(folder)],
                pass_fds=[listening.fileno()], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                # threads of a library do not survive a fork; pools of memory of their own would be theirs
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "1"},
            )  # fmt: skip
        try:
            yield {seat.ADDRESS: address}
        finally:
            end(keeper)


@contextmanager
def class_guesses(room: bool):
    """Keep a folder for what a room guesses, until it closes; give the variables that say where."""
    if not room:
        yield {}
        return
    with TemporaryDirectory() as place:
        yield {PLACE: os.path.join(place, "guesses")}


def environment(token: str) -> dict[str, str]:
    """Give the variables the server needs: the token, and where our page template, settings and kernel lie.

    The settings keep JupyterLab from asking the network for news and newer versions.
    """
    found = {
        name: os.pathsep.join(filter(None, [str(PAGES), os.environ.get(name)]))
        for name in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH")
    }
    return os.environ | found | {"JUPYTER_TOKEN": token}


def address(page: bool, port: int, token: str, host: str = HOST) -> str:
    """Give the address to open in a browser."""
    return f"http://{host}:{port}/{'' if page else 'lab'}?token={token}"


def invitation(url: str, host: str) -> str:
    """Say who can reach the shared pages, and show their address for telephones to read.

    Raises
    ------
    FertkitError
        If segno, which draws the code, is not installed.
    """
    if find_spec("segno") is None:
        raise FertkitError("this needs segno", remedy=installing("workshop"))
    import segno

    code = StringIO()
    segno.make_qr(url).terminal(code, compact=True)
    return (
        f"Shared: who is in the network of {host} and has this address can use the pages, but sees no code "
        "and no file of this machine. What they open is gone when they close the page. Workshop guesses are "
        "kept without names until you end this. Nothing is encrypted: share in a network you trust.\n"
        f"{code.getvalue()}"
    )


def wait_until_up(process: subprocess.Popen, port: int, host: str = HOST) -> None:
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
            urlopen(f"http://{host}:{port}/", timeout=2).close()
            return
        except HTTPError as answer:  # it answers, if only to ask for the token
            answer.close()
            return
        except (URLError, OSError):
            time.sleep(0.1)
    raise FertkitError(f"the server did not answer within {START_WAIT:.0f} s")


def open_notebooks(page: bool = False, room: bool = False, port: int | None = None, *, share: bool = False,
                   folder=None, browser: bool = True) -> int:  # fmt: skip
    """Start the server, open a browser and stay until it is ended with Ctrl-C or by the system.

    Parameters
    ----------
    page : bool
        Show the notebooks as pages (Voila) instead of in JupyterLab.
    room : bool
        End kernels that idle for half an hour: a class comes and goes.
    port : int, optional
        Port to listen on; a free one if not given.
    share : bool
        Let the local network reach the pages. Implies `page` and `room`.
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
        If the port is none or is in use, there are no notebooks or no network to share them in, a package is
        missing, or the server does not start or ends by itself; with the last words of its log.
    """
    page, room, host = page or share, room or share, local_address() if share else HOST
    port = free_port() if port is None else open_port(port, host)
    token = "".join(map(secrets.choice, [LETTERS] * LENGTH)) if share else secrets.token_urlsafe(24)
    url = address(page, port, token, host)
    says = invitation(url, host) if share else ""
    folder = notebook_folder(folder)
    line = command(folder, page=page, room=room, port=port, host=host)
    in_charge = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGTERM, _end) if in_charge else None
    # a person at the terminal can do nothing about a server's warnings
    with (
        TemporaryFile() as log,
        class_guesses(room) as asked,
        seats(folder) if page else nullcontext({}) as kept,
    ):
        variables = environment(token) | asked | kept
        process = subprocess.Popen(line, env=variables, stderr=log, preexec_fn=_end_too if _LIBC else None)
        try:
            wait_until_up(process, port, host)
            print(f"{says}Open {url}\nEnd with Ctrl-C.", flush=True)
            if browser:
                webbrowser.open(url)
            if (status := process.wait()) > 0:
                raise FertkitError(f"the server stopped by itself (status {status})")
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
    return f"; its last message: {shorten(lines[-1], 300)}" if lines else ""


def _end_too() -> None:
    """Ask the system, in a server about to begin, to end it when the one that began it is killed."""
    _LIBC.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


#: Loaded here: between fork and exec is no time to load a library. Other systems have no such call.
_LIBC = ctypes.CDLL(None) if sys.platform == "linux" else None


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
