"""The command line: reads files, wires edges to stages, maps errors to exit codes."""
