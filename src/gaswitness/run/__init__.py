"""One execution of a plan: events, the pure state machine, and the driver that feeds it."""
