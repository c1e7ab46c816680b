-- Take an account out; its changed row goes in again.
DELETE FROM accounts WHERE name = $account
