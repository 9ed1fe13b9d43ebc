"""Many logs, one row each: find them, judge them in worker processes, keep what is done.

    jobs      which logs, and the engine, channels and counts that lie beside each
    one       a log -> its row; whatever is wrong with the log stands in the row
    columns   what a row holds
    progress  rows kept as they come, so that nothing is done twice
    workers   processes on this machine, or an existing Dask cluster
    run       the whole of it

Nothing is imported here: a worker sets its threads before numpy is loaded.
"""
