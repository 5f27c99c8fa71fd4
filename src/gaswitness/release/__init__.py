"""Gas let out in rooms, and what the detectors would make of it."""
