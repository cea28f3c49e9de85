"""The conformance kit: the same checks for every driver, shipped or of somebody else.

`suite.DriverSuite` holds the checks; a test class derives from it and says which bench they run
on. `serialbench.SerialBench`, `tcpbench.TcpBench` and `folderbench.FolderBench` are ready made; for
another kind of bus write a `bench.Bench`. It needs no test runner of its own: pytest and unittest
both collect a class that derives from the suite.
"""
