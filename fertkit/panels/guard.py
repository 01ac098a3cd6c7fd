"""Who is let in to pages shared with a network, and how long kernels stay that nobody watches."""

import time
from datetime import timedelta
from queue import Empty
from urllib.parse import unquote, urlsplit

from jupyter_client.asynchronous import AsyncKernelClient
from jupyter_server._tz import utcnow
from jupyter_server.auth.identity import PasswordIdentityProvider
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from tornado.web import HTTPError
from traitlets import Unicode

#: Folder of the notes that pupils are not to see.
EDUCATOR = "educator/"
#: How long the kernel of a page stays while no browser is connected: a telephone in a pocket comes back.
UNWATCHED = timedelta(minutes=5)


class OneHost(PasswordIdentityProvider):
    """Let nobody in who asks for another name: a page elsewhere may point its own name at this machine.

    The educator's notes are given to nobody.
    """

    host = Unicode(config=True, help="the one name or address that is answered to")

    def get_user(self, handler):
        """Give who asks, or None."""
        if urlsplit(f"//{handler.request.host}").hostname != self.host:
            return None
        if EDUCATOR in unquote(handler.request.path).lower():
            handler.current_user = None  # who the answer is for, asked by what writes it
            raise HTTPError(404)  # sent to the door instead, who is in would be sent back and forth
        return super().get_user(handler)


class OfPages(AsyncMappingKernelManager):
    """Kernels of pages: each ends minutes after its browser is gone, also where that could not say so.

    A page was closed while it was built, or its browser was killed.
    """

    def notify_disconnect(self, kernel_id):
        """Count the time that nobody is there from now."""
        super().notify_disconnect(kernel_id)
        if kernel_id in self:
            self.get_kernel(kernel_id).last_activity = utcnow()

    async def cull_kernel_if_idle(self, kernel_id):
        """End a kernel that nobody watches, or that idles too long."""
        kernel = self.get_kernel(kernel_id)
        alone = not self._kernel_connections.get(kernel_id) and kernel.execution_state != "busy"
        if alone and utcnow() - kernel.last_activity > UNWATCHED:
            await self.shutdown_kernel(kernel_id)
        else:
            await super().cull_kernel_if_idle(kernel_id)


class Ready(AsyncKernelClient):
    """Has its kernel run cells as soon as that answers, where another would first listen for a while."""

    async def wait_for_ready(self, timeout=60):
        """Wait until the kernel answers on both its channels."""
        deadline = time.monotonic() + timeout
        while time.monotonic() < deadline and await self.is_alive():
            asked = self.kernel_info()
            try:
                for hear in self.get_shell_msg, self.get_iopub_msg:
                    while (await hear(timeout=1))["parent_header"].get("msg_id") != asked:
                        pass
                return
            except Empty:
                continue
        raise RuntimeError("the kernel does not answer")
