"""Who works: processes of this machine, or the workers of a cluster; and what is done with pieces of work."""
