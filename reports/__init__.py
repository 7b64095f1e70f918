"""The run's staged tables to typed page objects, and those to charts, pages and workbooks."""
