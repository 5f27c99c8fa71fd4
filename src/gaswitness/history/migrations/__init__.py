"""Steps by which a store of an earlier version becomes one of this version; never edited once released."""
