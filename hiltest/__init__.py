"""hiltest tests real hardware: acceptance tests for small CAN nodes, on a bench or on a simulated one."""
