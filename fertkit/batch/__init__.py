"""Many trials or samples at once: cut into parts, done here or on a cluster, resumed where they ended."""

from fertkit.batch.results import BatchResult
from fertkit.batch.run import run_batch

__all__ = ["BatchResult", "run_batch"]
