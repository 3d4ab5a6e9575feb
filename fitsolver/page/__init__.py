"""The page: the whole job in a browser, on the bench computer and on a phone beside it."""
