"""What a sliced file says: bytes to columns of moves, and moves to layers."""
