"""The hub's PostgreSQL: connections, the log and its feed, who may write, what was refused."""
