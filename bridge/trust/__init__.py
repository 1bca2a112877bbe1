"""Who may connect here, and as whom we connect elsewhere: logins, listeners, private folders."""
