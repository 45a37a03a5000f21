"""`pages`: the workbooks as pages that need no Python; `make` writes the folder, the other modules one thing each."""
