"""Data reduction for drift-scan strips of a survey telescope that cannot track."""

__version__ = "0.1.0"
