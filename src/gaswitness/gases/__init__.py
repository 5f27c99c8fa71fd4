"""Facts about gases, each with its source."""
