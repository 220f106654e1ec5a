"""How a shop and the hub come to hold the same facts: the protocol itself, over two small storage ports.

No clock, randomness, socket, thread or database: ids, times and answers come in as arguments, and what has to
happen next goes out as a value. The services drive it over HTTP with SQLite and PostgreSQL beneath; the simulation
drives the same functions with storage in memory. Knows envelopes and positions; must never know what a fact says.
"""
