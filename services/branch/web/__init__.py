"""The node's face: pages for counter, bay and bench, and the same commands as JSON. Decides nothing."""
