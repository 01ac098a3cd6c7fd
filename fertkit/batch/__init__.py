"""Many trials or samples at once: cut into parts, done here or on a cluster, resumed where they ended."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(__name__, submod_attrs={"run": ["run_batch"]})
