"""What more than one kind of network socket needs: secrets, TLS, one bounded call."""
