"""The part that stays awake: polls in time, one commit a poll, delivery, signals and the service manager."""
