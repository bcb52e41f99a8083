"""Plan, take and edit the time-lapse film of a filament print seen by two cameras."""

__version__ = "0.1.0"
