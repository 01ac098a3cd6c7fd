"""A kernel for one page, forked from a process that has everything loaded: there at once, its memory shared.

The server starts this module in place of a kernel. Where `keep_seats` runs beside the server (on Linux; other
systems cannot safely fork a process that has loaded so much) it asks for a fork and stands in for it: signals
go on to the fork, and each ends with the other. Everywhere else it becomes a kernel itself.
"""

import json
import os
import signal
import socket
import sys
import threading
from importlib import import_module

#: Where the keeper of seats listens, told to the server and by it to each kernel.
ADDRESS = "FERTKIT_SEATS"
#: How often the keeper looks whether the server is still there [s].
LOOK_UP = 5
#: First line of a kernel that is no fork.
EARLY = "from fertkit.panels import seat; seat.load_early(get_ipython())"
#: Modules that every panel needs to draw its first figure; heavier ones of single panels are left to them.
NEEDED_EARLY = (
    *(f"fertkit.panels.{name}" for name in ("guess", "leaf", "needs", "plan", "trials")),
    "matplotlib.backends.backend_svg", "scipy.special",
)  # fmt: skip
#: Modules that a kernel loads when it starts.
OF_A_KERNEL = (
    "ipykernel.kernelapp", "ipykernel.ipkernel", "ipykernel.debugger", "tornado.platform.asyncio",
    "tornado.queues", "IPython.core.completerlib", "IPython.core.debugger", "IPython.extensions.storemagic",
)  # fmt: skip
#: Invented files to try panels on.
A_LEAF = b"Sample,Crop,Stage,Plant part,N (%),K (%)\nA,corn,R1,ear leaf,3.1,1.9\nB,corn,R1,ear leaf,2.2,1.2\n"
A_TRIAL = "Block,N rate (lb/ac),Yield (bu/ac)\n" + "".join(
    f"{block},{rate},{100 + 0.7 * rate - 0.002 * rate**2 + (block * 7 + rate) % 5}\n"
    for block in (1, 2, 3) for rate in (0, 60, 120, 180)
)  # fmt: skip


def can_fork() -> bool:
    """Whether seats can be forked here."""
    return sys.platform == "linux"


def load_early(shell) -> None:
    """Load what every panel needs when a kernel that is no fork runs its first cell.

    The server of the pages tells each kernel its name before anything else: that is when the modules are
    loaded, while a browser still loads its own part of a page.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
    """

    def load(*_):
        shell.events.unregister("pre_run_cell", load)
        _load()

    shell.events.register("pre_run_cell", load)


def _load() -> None:
    for name in NEEDED_EARLY:
        import_module(name)


def rehearse() -> list:
    """Answer once in each of the panels that lessons use most, so that a fork has little to load or make.

    Returns
    -------
    list of Panel
    """
    from fertkit import panels

    trial = {"crop": "corn", "nutrient_price": 0.5, "grain_price": 4.5}
    return [
        panels.LeafPanel(A_LEAF),
        panels.NeedsPanel(),
        panels.StripsPanel(A_TRIAL.encode(), crop="corn"),
        panels.OptimumPanel(A_TRIAL.encode(), **trial),
    ]


def keep_seats(listening: int) -> None:
    """Load and rehearse what panels need, then fork a kernel for each that asks, until the server ends.

    Parameters
    ----------
    listening : int
        File descriptor of a Unix socket that listens already, so that who asks early only waits.
    """
    import gc

    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # forks that end leave nothing behind
    sys.modules["debugpy"] = None  # a page is not debugged, and it would take 10 MB of each seat
    _load()
    for name in OF_A_KERNEL:
        import_module(name)
    rehearse()
    import_module("ipywidgets").Widget.close_all()
    gc.collect()
    gc.freeze()  # else the collector would write to every page of memory that forks share
    seats = socket.socket(fileno=listening)
    seats.settimeout(LOOK_UP)
    beside = os.getppid()
    while os.getppid() == beside:
        try:
            line, _ = seats.accept()
        except TimeoutError:
            continue
        line.setblocking(True)
        if os.fork() == 0:
            seats.close()
            _become(line)
        line.close()


def _become(line) -> None:
    """Be the kernel that was asked for; end when who asked ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    asked = json.loads(line.makefile().readline())
    line.sendall(f"{os.getpid()}\n".encode())
    os.chdir(asked["cwd"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    _launch([*asked["arguments"], "--HistoryManager.enabled=False"])  # nobody types there
    os._exit(0)


def _end_with(line) -> None:
    line.recv(1)
    os._exit(0)


def _launch(arguments) -> None:
    from ipykernel.kernelapp import IPKernelApp

    IPKernelApp.launch_instance(arguments)


#: What stands in for a fork: a process of 3 MB that hands signals on to it and ends when it does.
STAND_IN = """
import os, signal, socket, sys
line, fork = socket.socket(fileno=int(sys.argv[1])), int(sys.argv[2])
for one in (signal.SIGINT, signal.SIGTERM):
    signal.signal(one, lambda number, _: os.kill(fork, number))
line.recv(1)
"""


def _stand_in(line, arguments) -> None:
    """Ask for a fork, then be what stands in for it."""
    asked = {"arguments": arguments, "cwd": os.getcwd(), "environment": dict(os.environ)}
    line.sendall(json.dumps(asked).encode() + b"\n")
    fork = line.makefile().readline().strip()
    line.set_inheritable(True)
    small = [sys.executable, "-I", "-S", "-c", STAND_IN, str(line.fileno()), fork]
    os.execv(sys.executable, [*small, __spec__.name, *arguments])  # by which a kernel is known


def main(arguments) -> None:
    """Be a kernel, or stand in for a fork that is."""
    if address := os.environ.get(ADDRESS):
        line = socket.socket(socket.AF_UNIX)
        try:
            line.connect(address)
        except OSError:  # the keeper is gone: this process becomes the kernel itself
            line.close()
        else:
            return _stand_in(line, arguments)
    return _launch([*arguments, f"--IPKernelApp.exec_lines={EARLY}"])


if __name__ == "__main__":
    if sys.argv[1:2] == ["keep"]:
        keep_seats(int(sys.argv[2]))
    else:
        main(sys.argv[1:])
