"""Paper: sheets at true scale for the file, the client and the bench."""
