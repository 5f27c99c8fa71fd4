"""The board: pages for the desk and for the posts. An edge: it calls, shows and posts, and holds no truth."""
