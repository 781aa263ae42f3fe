"""From a conclusion to everybody's mail and out: mails, notices, delivery, transports."""
