"""A rig in a box: real components on virtual cables, in network namespaces that the lab makes and removes."""
