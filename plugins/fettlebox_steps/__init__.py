"""Built-in steps: one module a step, found like anybody's, by entry point."""

FETTLEBOX_CONTRACT = 2
