"""What a customer sends: the captures in it, which of them are one, each judged on a core of its own."""
