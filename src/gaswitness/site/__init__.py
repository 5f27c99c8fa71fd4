"""The description of one installation: records, loading, sense-check."""
