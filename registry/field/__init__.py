"""The page that installers carry: a shell without data, which works where there is no signal."""
