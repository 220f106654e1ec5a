"""The safety officer's pages and the same data as JSON."""
