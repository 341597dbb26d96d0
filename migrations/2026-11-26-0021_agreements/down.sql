drop table cover, agreement, calendar_feed, visit;
