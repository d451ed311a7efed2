"""What is to be done with a bench night after night, without anybody there."""
