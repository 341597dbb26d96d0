drop table discharge_link;
drop function app.enter_client;
drop table ended_token;
drop table client_secret;
drop table api_client_site;
drop table api_client;
