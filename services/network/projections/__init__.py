"""Tables that are only a reading of the log: each can be dropped and read again at any time."""
