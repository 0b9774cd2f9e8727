"""From an alert that is stored to a person who has it: the outbox, and one channel a file."""
