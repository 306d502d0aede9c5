"""Listens to a phone clip of the engine bay and says what is likely wrong with hydraulic power steering."""

__version__ = "0.1.0"
