"""What is known of every parameter: unknown, sent or heard."""
