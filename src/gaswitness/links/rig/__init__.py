"""The rig: a simulated installation with gas, sensors, a panel and effects, for practice, demonstration and tests."""
