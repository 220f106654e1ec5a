"""The hub's HTTP interface for nodes. Each module is one resource; async only where a body or a stream is."""
