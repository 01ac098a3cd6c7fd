"""Who is let in to pages shared with a network: whoever has the word and asks for the address given out."""

from urllib.parse import unquote, urlsplit

from jupyter_server.auth.identity import PasswordIdentityProvider
from traitlets import Unicode

#: Folder of the notes that pupils are not to see.
EDUCATOR = "educator/"


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
            return None
        return super().get_user(handler)
