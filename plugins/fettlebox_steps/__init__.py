"""Built-in steps: one module a step, found like anybody's, by entry point."""
