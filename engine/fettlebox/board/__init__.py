"""The board: a web page and an HTTP interface on one shop, served beside its server.

It runs in a process of its own, so that whatever happens to it hurts no job. It reads the spool and the
folders, and decides only through what the command line uses too (`jobs.desk`).
"""
