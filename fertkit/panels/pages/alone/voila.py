"""Settings of the pages for one person at a time; a room has kernels prepared instead."""

from fertkit.panels.serve import without_rehearsal

c = get_config()  # noqa: F821  (given by the server that reads this file)
c.VoilaConfiguration.prelaunch_hook = without_rehearsal
c.VoilaConfiguration.progressive_rendering = True
