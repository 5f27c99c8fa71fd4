"""What is kept over the years: files, and a store to which rows are only added."""
