"""The node's one database: its own log, everybody's facts, and the standing of every cylinder, moved together.

The only place of the branch that knows SQLite or the eventsourcing library.
"""

from branch.store.log import Appended, BranchStore, Tx
from branch.store.rows import StoreIsBroken
from sync.at_branch import Author

__all__ = ["Appended", "Author", "BranchStore", "StoreIsBroken", "Tx"]
