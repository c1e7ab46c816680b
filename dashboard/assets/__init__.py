"""What does the browser load beside the pages?"""
