drop table lent_life;
drop table risk_pooling;
