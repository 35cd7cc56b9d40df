"""Bounceproof's library: pure functions on arrays and plain values; it knows nothing of the workflow that calls it."""
