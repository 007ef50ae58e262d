"""One module a file format. Each reads hostile bytes into a RawMesh, or fails with one sentence."""
