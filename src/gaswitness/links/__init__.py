"""Where readings and status come from; read-only, every one of them."""
