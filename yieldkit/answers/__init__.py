"""One module per question; a table meets a method and gives a Result."""
