"""Data to text: JSON as published, messages, terminal. Width and zone are handed in."""
