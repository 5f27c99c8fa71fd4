"""Speed and memory, each as a ratio to a named peer measured in the same run. Never a test."""
