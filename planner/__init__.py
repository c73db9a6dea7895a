"""noonmark: where the weather sensor goes, and which climate zone the site is in."""

__version__ = "0.1.0"
