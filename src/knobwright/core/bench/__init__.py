"""One set-up on the table: the links, inputs, assignments and zones of a ``bench.toml``."""
