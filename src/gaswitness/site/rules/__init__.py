"""The questions of the sense-check, by subject; each yields what it has to say about a site."""
