"""When bytes leave: what keeps its order, what may wait, and when the line is free."""
