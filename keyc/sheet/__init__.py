"""Pictures of layers and of the matrix, to print."""
