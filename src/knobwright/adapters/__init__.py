"""The outside world, one thing a file."""
