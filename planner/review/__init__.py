"""The log against expectation: what it can show, what it shows, and what it cannot tell."""
