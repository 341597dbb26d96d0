drop table membership, session_family, account, dealer;
