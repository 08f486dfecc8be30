"""preflight: is the audio LAN ready for the show, and if not, what to fix first."""

__version__ = "0.1.0"
