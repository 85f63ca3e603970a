"""The commands: one module per verb, a table of verbs in `main`."""
