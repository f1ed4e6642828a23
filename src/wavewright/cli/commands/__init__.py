"""One file per command: the file's name is the command's, and it holds either a function of that name or `commands`."""
