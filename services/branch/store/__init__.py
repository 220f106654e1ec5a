"""The node's one database: its own log, everybody's facts, and the standing of every cylinder, moved together.

The only place of the branch that knows SQLite or the eventsourcing library.
"""

from branch.store.log import Absorbed, Appended, Author, BranchStore, Tx
from branch.store.rows import NodeRow, StoreIsBroken

__all__ = ["Absorbed", "Appended", "Author", "BranchStore", "NodeRow", "StoreIsBroken", "Tx"]
