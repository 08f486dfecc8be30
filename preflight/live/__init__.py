"""At the control computer: a line check, a standing watch, hours on one item and the log of them."""
