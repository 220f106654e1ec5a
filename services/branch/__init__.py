"""A shop's node: the pages of counter, bay and bench, the shop's own log, and its copy of what the network knows."""
