"""What the years say: due dates, drift, ageing and failure rates, worked out from tests that were kept. Pure."""
