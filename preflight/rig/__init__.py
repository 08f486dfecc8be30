"""The rig sheet, a TOML file that says what should be there, and what can be worked out from it alone."""
