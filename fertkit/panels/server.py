"""The server of the pages: Voila, with less to wait for.

A page is sent whole before its kernel is started, so that the browser reads scripts while that begins, and
those come in one.
"""

import asyncio
import os
import re
from collections import defaultdict
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from uuid import uuid4

from jinja2 import BytecodeCache
from jupyter_core.utils import ensure_async
from jupyter_server.base.handlers import FileFindHandler
from tornado.web import HTTPError, RequestHandler, authenticated
from voila.app import Voila
from voila.notebook_renderer import NotebookRenderer
from voila.static_file_handler import MultiStaticFileHandler
from voila.tornado.execution_request_handler import ExecutionRequestHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler
from voila.utils import get_page_config

#: How long cells wait for a page to have asked what its kernel shows already [s].
PATIENCE = 5
#: The script that a page begins with, and names of the parts that it asks for.
FIRST, PART = "voila.js", re.compile(r"(^|/)\d+\.[\w.]*js$")


class Compiled(BytecodeCache):
    """Templates as they were compiled, which would else be done for each page."""

    def __init__(self):
        self._code = {}

    def load_bytecode(self, bucket):
        """Give a template, unless its text has changed."""
        text, code = self._code.get(bucket.key, (None, None))
        if text == bucket.checksum:
            bucket.code = code

    def dump_bytecode(self, bucket):
        """Keep a template."""
        self._code[bucket.key] = bucket.checksum, bucket.code


class Page(TornadoVoilaHandler):
    """Gives a notebook as a page, then starts the kernel that its scripts will ask for."""

    def initialize(self, compiled, **options):
        """Take the templates compiled so far."""
        super().initialize(**options)
        self.compiled = compiled

    @authenticated
    async def get(self, path=None):
        """Send the page, then start its kernel."""
        if not path.endswith(".ipynb"):
            raise HTTPError(404)
        composer, kernel = self._composer(path), str(uuid4())
        await composer.initialize()
        composer.exporter.environment.bytecode_cache = self.compiled
        self.set_header("Content-Type", "text/html")
        self.set_header("Cache-Control", "no-cache, no-store, must-revalidate")
        self.write(await composer.generate_content_str(kernel))
        await self.flush()
        notebook, folder = composer.notebook, os.path.dirname(path)
        ExecutionRequestHandler._execution_data[kernel] = {
            "nb": notebook, "config": self.traitlet_config,
            "show_tracebacks": self.voila_configuration.show_tracebacks,
        }  # fmt: skip
        name = notebook.metadata.kernelspec.name
        await ensure_async(self.kernel_manager.start_kernel(kernel_id=kernel, kernel_name=name, path=folder))
        await self.finish()  # the browser has read its scripts meanwhile, and runs them now

    def _composer(self, path: str) -> NotebookRenderer:
        about = {"base_url": self.base_url, "voila_configuration": self.voila_configuration}
        config = get_page_config(settings=self.settings, log=self.log, **about)
        return NotebookRenderer(
            request_handler=self, notebook_path=path, template_paths=self.template_paths, page_config=config,
            traitlet_config=self.traitlet_config, config_manager=self.config_manager, prelaunch_hook=None,
            contents_manager=self.contents_manager, kernel_spec_manager=self.kernel_spec_manager,
            mathjax_config=config["mathjaxConfig"], mathjax_url=config["fullMathjaxUrl"], **about,
        )  # fmt: skip


class Channels(VoilaKernelWebsocketHandler):
    """What a page and its kernel say to each other."""

    def initialize(self, answered):
        """Take what is set, by kernel, when its page has been told what the kernel shows already: nothing."""
        super().initialize()
        self.answered = answered

    def write_message(self, message, binary=False):
        """Hand a message to the page."""
        if isinstance(message, bytes) and b'"comm_info_reply"' in message[:1000]:
            self.answered[self.kernel_id].set()
        return super().write_message(message, binary)


class Cells(ExecutionRequestHandler):
    """Runs the cells of a page once it has been told so: it would else build twice what they show."""

    def initialize(self, answered):
        """Take what is set by `Channels`."""
        super().initialize()
        self.answered = answered

    async def on_message(self, message):
        """Run the cells."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self.answered[self._kernel_id].wait(), PATIENCE)
        del self.answered[self._kernel_id]
        await super().on_message(message)


class Noted:
    """Gives scripts one by one, and notes which parts are asked for."""

    def initialize(self, asked, **options):
        """Take the parts noted so far."""
        super().initialize(**options)
        self.asked = asked

    async def get(self, path, include_body=True):
        """Send a script."""
        await super().get(path, include_body)
        if PART.search(path):
            self.asked[self.absolute_path] = None


class Scripts(Noted, MultiStaticFileHandler):
    """The scripts of pages."""


class ScriptsOfWidgets(Noted, FileFindHandler):
    """Those of widgets, which lie elsewhere."""


class Together(RequestHandler):
    """Gives the first script after the parts that pages before asked for: one answer in place of eighty."""

    def initialize(self, asked, first):
        """Take the parts noted so far, and where the first script lies."""
        self.asked, self.first = asked, first

    def get(self):
        """Send the scripts."""
        self.set_header("Content-Type", "text/javascript; charset=utf-8")
        self.set_header("Cache-Control", "no-cache")
        self.finish(joined(self.first, tuple(self.asked)))


@lru_cache(maxsize=1)
def joined(first, parts) -> bytes:
    """Join scripts into one."""
    # each in a function of its own: one that is strict does not make the next so
    apart = [b"(() => {%b\n})();\n" % Path(part).read_bytes() for part in parts]
    return b"".join([*apart, first.read_bytes()])


class Pages(Voila):
    """Voila with these answers in place of its own."""

    def init_settings(self):
        """Write the door and errors as our pages are written: who stands there may be of a class."""
        settings = super().init_settings()
        return settings | {"jinja2_env": settings["voila_jinja2_env"]}

    def init_handlers(self):
        """Give what answers which address."""
        asked, answered = {}, defaultdict(asyncio.Event)
        first = next(file for place in self.static_paths if (file := Path(place, FIRST)).exists())
        ours = {
            TornadoVoilaHandler: (Page, {"compiled": Compiled()}),
            VoilaKernelWebsocketHandler: (Channels, {"answered": answered}),
            ExecutionRequestHandler: (Cells, {"answered": answered}),
            MultiStaticFileHandler: (Scripts, {"asked": asked}),
            FileFindHandler: (ScriptsOfWidgets, {"asked": asked}),
        }
        handlers = [(f".*/voila/static/{re.escape(FIRST)}", Together, {"asked": asked, "first": first})]
        for where, kind, *options in super().init_handlers():
            if kind in ours:
                kind, more = ours[kind]
                options = [(options[0] if options else {}) | more]
            handlers.append((where, kind, *options))
        return handlers


if __name__ == "__main__":
    Pages.launch_instance()
