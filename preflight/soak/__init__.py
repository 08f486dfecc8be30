"""A soak: hours on one item, and what was measured. `facts` is that, `course` measures it from what the
computer and the wire say."""
