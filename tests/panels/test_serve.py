"""How the notebooks are served: loopback only, token kept off the command line, quiet on the network."""

import http.server
import os
import signal
import socket
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from fertkit.cli import main
from fertkit.errors import FertkitError
from fertkit.panels import seat, serve


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "one.ipynb").write_text("{}")
    return tmp_path


@pytest.mark.parametrize("page", [False, True])
@pytest.mark.parametrize("room", [False, True])
def test_listens_on_loopback_and_ends_idle_kernels(folder, page, room):
    line = " ".join(serve.command(folder, page=page, room=room, port=8123))
    assert ".ip=127.0.0.1" in line
    assert ".port=8123" in line
    assert f"cull_idle_timeout={serve.IDLE_ROOM if room else serve.IDLE_ALONE}" in line


def test_the_token_is_not_on_the_command_line(folder):
    assert "token=" not in " ".join(serve.command(folder, page=False, room=False, port=1)).lower()
    assert serve.environment("secret")["JUPYTER_TOKEN"] == "secret"


def test_shared_pages_answer_one_address_give_no_file_and_take_small_messages(folder):
    line = " ".join(serve.command(folder, page=True, room=True, port=8123, host="192.0.2.7"))
    assert "--Voila.ip=192.0.2.7" in line
    assert "--OneHost.host=192.0.2.7" in line
    assert f"'websocket_max_message_size': {serve.LARGEST_SHARED}" in line
    assert "file_allowlist=[]" in line


def test_an_invitation_says_who_can_reach_the_pages_and_shows_a_code():
    text = serve.invitation("http://192.0.2.7:80/?token=abc", "192.0.2.7")
    assert "who is in the network of 192.0.2.7" in text
    assert "█" in text


def test_a_machine_in_no_network_shares_nothing(monkeypatch):
    class Alone:
        def __init__(self, *_):
            pass

        __enter__ = __exit__ = lambda self, *_: self

        def connect(self, _):
            raise OSError("Network is unreachable")

    monkeypatch.setattr(serve.socket, "socket", Alone)
    with pytest.raises(FertkitError, match="on no network"):
        serve.local_address()


def test_an_address_carries_the_token():
    assert serve.address(True, 80, "abc") == "http://127.0.0.1:80/?token=abc"
    assert serve.address(False, 80, "abc") == "http://127.0.0.1:80/lab?token=abc"


def test_finds_the_notebooks_or_says_where_it_looked(folder, tmp_path, monkeypatch):
    assert serve.notebook_folder(folder) == folder.resolve()
    with pytest.raises(FertkitError, match=r"no notebooks in .*nowhere"):
        serve.notebook_folder(tmp_path / "nowhere")


def test_a_missing_package_is_named_with_its_remedy(folder, monkeypatch):
    monkeypatch.setattr(serve, "find_spec", lambda name: None)
    with pytest.raises(FertkitError, match=r"pip install 'fertkit\[workshop\]'"):
        serve.command(folder, page=True, room=False, port=1)


@pytest.fixture
def stand_in(monkeypatch):
    """Serve something of a few lines instead of a whole server."""

    def use(code):
        monkeypatch.setattr(
            serve, "command", lambda *_, port, **__: [sys.executable, "-c", code.format(port)]
        )

    return use


ANSWERS_ONCE = """
import http.server
http.server.HTTPServer(("127.0.0.1", {}), http.server.BaseHTTPRequestHandler).handle_request()
"""


def test_opens_the_browser_when_the_server_answers(folder, stand_in, monkeypatch, capsys):
    stand_in(ANSWERS_ONCE)
    opened = []
    monkeypatch.setattr(serve.webbrowser, "open", opened.append)
    assert serve.open_notebooks(page=True, folder=folder) == 0
    assert opened[0].startswith("http://127.0.0.1:")
    assert opened[0] in capsys.readouterr().out


#: Only Linux tells a server that the one that began it was killed.
KILLED = [signal.SIGKILL] if sys.platform == "linux" else []
ENDED_FROM_OUTSIDE = """
import signal, sys
from fertkit.panels import serve
signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background is born deaf to it
child = "import sys, time; print('up', flush=True); time.sleep(60)"
serve.command = lambda *_, **__: [sys.executable, "-c", child]
serve.open_notebooks(folder=sys.argv[1], browser=False)
"""


@pytest.fixture
def kernel(tmp_path):
    """Start what a server starts in place of a kernel; wait until it is one."""
    begun = []

    def begin(variables):
        told = tmp_path / f"kernel{len(begun)}.json"
        words = [sys.executable, "-m", "fertkit.panels.seat", "-f", str(told)]
        begun.append(subprocess.Popen(words, env=os.environ | variables))

        def up():
            for _ in range(600):
                if told.exists() or begun[-1].poll() is not None:
                    break
                time.sleep(0.05)
            return told.exists()

        return up

    yield begin
    for one in begun:
        one.kill()
        one.wait()


ON_LINUX = pytest.mark.skipif(not seat.can_fork(), reason="kernels are forked on Linux only")


@ON_LINUX
def test_a_keeper_that_is_killed_is_done_without(folder, monkeypatch, kernel):
    """The keeper goes elsewhere for each notebook, so that it needs the whole path of their folder."""
    psutil = pytest.importorskip("psutil")
    monkeypatch.chdir(folder.parent)
    before = set(psutil.Process().children())
    with serve.seats(folder.name) as kept:
        (keeper,) = set(psutil.Process().children()) - before
        assert keeper.cmdline()[-1] == str(folder)
        keeper.kill()
        assert kernel(kept)()


@ON_LINUX
def test_a_keeper_killed_with_a_question_in_hand_is_done_without(tmp_path, kernel):
    with socket.socket(socket.AF_UNIX) as keeper:
        keeper.bind(str(tmp_path / "seats"))
        keeper.listen()
        up = kernel({seat.ADDRESS: str(tmp_path / "seats")})
        asked, _ = keeper.accept()
        asked.close()
        assert up()


IMPATIENT = "import sys; from fertkit.panels import seat; seat.PATIENCE = 0.2; seat.main(sys.argv[1:])"


@ON_LINUX
def test_a_keeper_that_hangs_is_waited_for_no_longer_than_said(tmp_path):
    told = tmp_path / "kernel.json"
    with socket.socket(socket.AF_UNIX) as keeper:
        keeper.bind(str(tmp_path / "seats"))
        keeper.listen()
        words = [sys.executable, "-c", IMPATIENT, "-f", str(told)]
        alone = subprocess.Popen(words, env=os.environ | {seat.ADDRESS: str(tmp_path / "seats")})
        try:
            asked, _ = keeper.accept()
            for _ in range(1200):
                if told.exists():
                    break
                time.sleep(0.05)
            asked.close()
            assert told.exists()
        finally:
            alone.kill()
            alone.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such signal")
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT, *KILLED])
def test_ended_from_outside_it_ends_its_server(folder, how):
    words = [sys.executable, "-c", ENDED_FROM_OUTSIDE, str(folder)]
    opened = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert opened.stdout.readline() == "up\n"
    opened.send_signal(how)
    opened.communicate(timeout=30)  # returns only when the server, which holds the same pipe, is gone too


def test_a_server_that_ends_at_once_is_said(folder, stand_in):
    stand_in("raise SystemExit(1)  # {}")
    with pytest.raises(FertkitError, match="did not start"):
        serve.open_notebooks(folder=folder, browser=False)


@pytest.mark.parametrize("port", [-1, 0, 65536, 99999, 8888.5])
def test_a_port_that_is_none_is_refused(folder, stand_in, port):
    """Ports are numbers of 16 bits, and 0 is reserved (RFC 6335, 6)."""
    stand_in(ANSWERS_ONCE)
    with pytest.raises(FertkitError, match="ports run from 1 to 65535"):
        serve.open_notebooks(folder=folder, port=port, browser=False)


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
def test_a_port_in_use_is_refused_and_the_other_server_not_opened(folder, stand_in, monkeypatch, host):
    stand_in(ANSWERS_ONCE)
    opened = []
    monkeypatch.setattr(serve.webbrowser, "open", opened.append)
    with (
        http.server.HTTPServer((host, 0), http.server.BaseHTTPRequestHandler) as other,
        pytest.raises(FertkitError, match="is in use by another program"),
    ):
        serve.open_notebooks(folder=folder, port=other.server_port)
    assert not opened


def test_a_port_just_given_up_can_be_taken_again(folder, stand_in, monkeypatch):
    stand_in(ANSWERS_ONCE)
    port = serve.free_port()
    for _ in range(2):
        assert serve.open_notebooks(folder=folder, port=port, browser=False) == 0


def test_a_port_in_use_is_one_line_on_the_command_line(capsys):
    with http.server.HTTPServer(("127.0.0.1", 0), http.server.BaseHTTPRequestHandler) as other:
        assert main(["open", "--port", str(other.server_port)]) == 2
    assert main(["open", "--port", "70000"]) == 2
    taken, none = capsys.readouterr().err.splitlines()
    assert "is in use by another program; name another" in taken
    assert "there is no port 70000" in none


def test_what_a_server_writes_stays_off_the_terminal(folder, stand_in, capfd):
    stand_in("import sys; sys.stderr.write('DeprecationWarning: old option\\n')\n" + ANSWERS_ONCE)
    assert serve.open_notebooks(folder=folder, browser=False) == 0
    assert capfd.readouterr().err == ""


def test_a_server_that_ends_by_itself_is_no_success_and_tells_its_last_words(folder, stand_in):
    stand_in(ANSWERS_ONCE + "\nraise SystemExit('the kernel is gone')")
    with pytest.raises(
        FertkitError, match=r"stopped by itself \(status 1\); its last message: the kernel is gone"
    ):
        serve.open_notebooks(folder=folder, browser=False)


def test_a_server_that_never_answers_is_ended(folder, stand_in, monkeypatch):
    stand_in("import time; time.sleep(60)  # {}")
    monkeypatch.setattr(serve, "START_WAIT", 0.5)
    with pytest.raises(FertkitError, match="did not answer"):
        serve.open_notebooks(folder=folder, browser=False)


@pytest.mark.parametrize(
    ("watched_by", "state", "minutes", "ends"),
    [(0, "idle", 6, True), (0, "starting", 6, True), (0, "idle", 4, False),
     (0, "busy", 6, False), (1, "idle", 6, False)],
)  # fmt: skip
def test_a_kernel_that_nobody_watches_ends_after_minutes(
    kernel_of_a_page, finish, watched_by, state, minutes, ends
):
    kernels, ended = kernel_of_a_page(minutes, watched_by, state)
    finish(kernels.cull_kernel_if_idle("one"))
    assert ended == ["one"] * ends


def test_a_browser_that_goes_may_come_back(kernel_of_a_page, finish):
    kernels, ended = kernel_of_a_page(6, 1, "idle")
    kernels.notify_disconnect("one")
    finish(kernels.cull_kernel_if_idle("one"))
    assert not ended


@pytest.fixture
def kernel_of_a_page():
    """Give the kernels of a server, one that was last used before so many minutes, and those that end."""
    guard = pytest.importorskip("fertkit.panels.guard")

    def make(minutes, watched_by, state):
        kernels, ended = guard.OfPages(cull_idle_timeout=serve.IDLE_ROOM), []
        last = datetime.now(UTC) - timedelta(minutes=minutes)
        kind = SimpleNamespace(metadata={})
        one = SimpleNamespace(execution_state=state, last_activity=last, kernel_spec=kind, kernel_name="")
        kernels._kernels["one"], kernels._kernel_connections["one"] = one, watched_by

        async def end(kernel_id):
            ended.append(kernel_id)

        kernels.shutdown_kernel = end
        return kernels, ended

    return make


def test_a_client_waits_for_its_own_answers_on_both_channels_and_no_longer(finish):
    """What a kernel says to others, or said before, is passed over."""
    guard = pytest.importorskip("fertkit.panels.guard")
    client, heard = guard.Ready(), []

    def says(channel, *answers):
        waiting = iter(answers)

        async def hear(timeout):
            heard.append(channel)
            return {"parent_header": next(waiting)}

        return hear

    async def alive():
        return True

    client.is_alive, client.kernel_info = alive, lambda: "ours"
    client.get_shell_msg = says("shell", {"msg_id": "other"}, {"msg_id": "ours"})
    client.get_iopub_msg = says("iopub", {}, {"msg_id": "ours"}, {"msg_id": "ours"})
    finish(client.wait_for_ready(timeout=5))
    assert heard == ["shell", "shell", "iopub", "iopub"]


def test_scripts_come_in_one_each_in_a_function_and_the_first_last(tmp_path):
    """A script that is strict makes strict what follows it in one function (ECMA-262, 11.2.1)."""
    server = pytest.importorskip("fertkit.panels.server")
    first, part = tmp_path / "voila.js", tmp_path / "12.a.js"
    first.write_text("begin();")
    part.write_text('"use strict";a() // said')
    whole = server.joined(first, (part,)).decode()
    assert whole.split() == ["(()", "=>", '{"use', 'strict";a()', "//", "said", "})();", "begin();"]
    assert whole.index("\n})") > whole.index("said")  # a remark at the end closes no function
