"""What several tests build on: invented sites, and ledgers written by hand."""
