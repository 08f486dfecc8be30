"""Two captures held against each other: what was lost, late or crossed on the way from one place to the
other."""
