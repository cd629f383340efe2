"""What is looked at and taken home: the lesson sheet, paper, card, video and message."""
