"""The ledger and what is read from it: hash chain, common time axis, series for the judge."""
