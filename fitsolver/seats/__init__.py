"""Seats: the mounting as read, and what its readings say about the metal."""
