"""Queries to thousands of runs or files at once: asked here, in processes, or on a cluster; answered the same."""
