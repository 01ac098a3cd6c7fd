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
from contextlib import suppress
from importlib import import_module
from pathlib import Path

#: Where the keeper of seats listens, told to the server and by it to each kernel.
ADDRESS = "FERTKIT_SEATS"
#: How often the keeper looks whether the server is still there [s].
LOOK_UP = 5
#: How long a page waits for the keeper, which may hang or be at a long cell, before it goes on alone [s].
PATIENCE = 10
#: How long nobody asks before notebooks are rehearsed, and how long who asks has between two cells [s].
AT_REST, BETWEEN_CELLS = 2, 0.001
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


def keep_seats(listening: int, folder: str) -> None:
    """Load what panels need, then fork a kernel for each that asks, until the server ends.

    While nobody asks, the notebooks are rehearsed; those whose files have changed, anew.

    Parameters
    ----------
    listening : int
        File descriptor of a Unix socket that listens already, so that who asks early only waits.
    folder : str
        Where the notebooks lie.
    """
    import gc

    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # forks that end leave nothing behind
    sys.modules["debugpy"] = None  # a page is not debugged, and it would take 10 MB of each seat
    _load()
    for name in OF_A_KERNEL:
        import_module(name)
    gc.collect()
    gc.freeze()  # else the collector would write to every page of memory that forks share
    seats = socket.socket(fileno=listening)
    rehearsed, beside = {}, os.getppid()
    steps, rest = _rehearse(Path(folder), rehearsed), AT_REST
    while os.getppid() == beside:
        seats.settimeout(rest)
        try:
            line, _ = seats.accept()
        except TimeoutError:
            rest = next(steps)
            continue
        line.setblocking(True)
        if os.fork() == 0:
            seats.close()
            _become(line, rehearsed.values())
        line.close()
        rest = AT_REST


def _rehearse(folder: Path, rehearsed: dict):
    """Rehearse cell by cell, without end; give how long to wait for who asks before the next step [s]."""
    from fertkit.panels.rehearsal import Rehearsal, watch_files

    opened = watch_files()
    while True:
        for path in sorted(folder.glob("*.ipynb")):
            if path in rehearsed and rehearsed[path].fresh():
                continue
            if path in rehearsed:
                rehearsed.pop(path).forget()
            one = Rehearsal(path, opened)
            for _ in one.run():
                yield BETWEEN_CELLS
            rehearsed[path] = one
        yield LOOK_UP


def _become(line, rehearsed) -> None:
    """Be the kernel that was asked for; end when who asked ends."""
    from ipykernel.kernelapp import IPKernelApp

    from fertkit.panels.rehearsal import forget_pages, play_in

    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    asked = json.loads(line.makefile().readline())
    line.sendall(f"{os.getpid()}\n".encode())
    os.chdir(asked["cwd"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    kernel = IPKernelApp.instance()
    kernel.initialize([*asked["arguments"], "--HistoryManager.enabled=False"])  # nobody types there
    forget_pages()
    play_in(kernel.shell, rehearsed)
    kernel.start()
    os._exit(0)


def _end_with(line) -> None:
    line.recv(1)
    os._exit(0)


#: What stands in for a fork: a process of 3 MB that hands signals on to it and ends with it or the server.
STAND_IN = """
import os, select, signal, socket, sys
beside = os.getppid()
line, fork = socket.socket(fileno=int(sys.argv[1])), int(sys.argv[2])
for one in (signal.SIGINT, signal.SIGTERM):
    signal.signal(one, lambda number, _: os.kill(fork, number))
while os.getppid() == beside and not select.select([line], [], [], LOOK_UP)[0]:
    pass
""".replace("LOOK_UP", str(LOOK_UP))


def _stand_in(line, arguments) -> None:
    """Ask for a fork and be what stands in for it; come back if the keeper has gone meanwhile."""
    asked = {"arguments": arguments, "cwd": os.getcwd(), "environment": dict(os.environ)}
    line.sendall(json.dumps(asked).encode() + b"\n")
    if fork := line.makefile().readline().strip():
        line.settimeout(None)
        line.set_inheritable(True)
        small = [sys.executable, "-I", "-S", "-c", STAND_IN, str(line.fileno()), fork]
        os.execv(sys.executable, [*small, __spec__.name, *arguments])  # by which a kernel is known


def main(arguments) -> None:
    """Be a kernel, or stand in for a fork that is."""
    if address := os.environ.get(ADDRESS):
        # where the keeper is gone or does not answer, this process becomes the kernel itself
        with suppress(OSError), socket.socket(socket.AF_UNIX) as line:
            line.settimeout(PATIENCE)
            line.connect(address)
            _stand_in(line, arguments)
    from ipykernel.kernelapp import IPKernelApp

    return IPKernelApp.launch_instance([*arguments, f"--IPKernelApp.exec_lines={EARLY}"])


if __name__ == "__main__":
    if sys.argv[1:2] == ["keep"]:
        keep_seats(int(sys.argv[2]), sys.argv[3])
    else:
        main(sys.argv[1:])
