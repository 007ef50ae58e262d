"""A shop's jobs done by the workers of a Dask cluster. Dask places, repeats and scales; what a job is, what
it may use and where its files belong stays as it is with child processes.

    address, terms  which cluster may be used, and what head and workers must have alike
    roster          which workers suit a job; pure
    head, flight    the pool that the server has; a job in it
    link            the connection to the scheduler
    bundle, wire    files, orders and answers as bytes that are checked on arrival
    worker          what a Dask worker calls; it gives the job to a process of `host`
    host            a process beside the Dask worker: a local pool with one child

Nothing of Dask is imported before a cluster is asked for.
"""
