"""What is kept over the years: files and, later, a store that can be rebuilt from them."""
