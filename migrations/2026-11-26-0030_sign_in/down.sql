revoke delete on site_access from weirbook_app;
drop table sign_in_rule, invitation_link, invitation, sign_in_try, password_reset, recovery_code;
drop index session_family_key, session_family_account, session_family_revoked;
alter table session_family
  drop column key_hash, drop column previous_hash, drop column successor_sealed, drop column address,
  drop column network, drop column device, drop column device_hash;
alter table account
  drop column totp_sealed, drop column totp_since, drop column totp_step, drop column password_set_at;
