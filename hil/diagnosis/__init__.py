"""What is wrong with a board: causes that explain what it read, the likeliest first."""
