"""What a client will spend, as the mounting file says it."""
