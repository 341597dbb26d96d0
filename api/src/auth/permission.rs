//! The permission table: what each role may do. A handler names its permission in its
//! arguments, so no route exists without a row here.

use std::fmt;

/// What a person is to a dealer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// Everything of the dealer.
    Owner,
    /// Customers, sites, units, stock, prices, call-outs, reports.
    Office,
    /// Reads units; writes what is done at them.
    Technician,
    /// A customer's person who looks.
    CustomerViewer,
    /// A customer's person who also enters readings.
    CustomerReader,
    /// A program, within the scopes that were granted to it: permissions by their names.
    Client,
}

impl Role {
    /// Every role of people.
    pub const ALL: [Self; 5] =
        [Self::Owner, Self::Office, Self::Technician, Self::CustomerViewer, Self::CustomerReader];

    /// The name in tokens, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Owner => "owner",
            Self::Office => "office",
            Self::Technician => "technician",
            Self::CustomerViewer => "customer_viewer",
            Self::CustomerReader => "customer_reader",
            Self::Client => "api_client",
        }
    }

    /// Whether it is one of a customer's people, rather than the dealer's own.
    #[must_use]
    pub fn is_of_customer(self) -> bool {
        matches!(self, Self::CustomerViewer | Self::CustomerReader)
    }

    /// The role of people of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == name)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One row of the table.
pub trait Permission: 'static {
    /// Its name, as said to who lacks it.
    const NAME: &'static str;
    /// The roles that have it; customers' people within their own customer, programs when it was
    /// granted to them.
    const ROLES: &'static [Role];
}

/// A row as data.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    /// The permission's name; also that of a program's scope.
    pub name: &'static str,
    /// What it allows, in words.
    pub words: &'static str,
    /// The roles that have it.
    pub roles: &'static [Role],
}

impl Row {
    /// Whether a program may be granted it; one that is limited to a customer only what that
    /// customer's own people may do.
    #[must_use]
    pub fn may_be_granted(&self, to_customer: bool) -> bool {
        let customers = [Role::CustomerViewer, Role::CustomerReader];
        self.roles.contains(&Role::Client) && (!to_customer || customers.iter().any(|role| self.roles.contains(role)))
    }
}

macro_rules! permissions {
    ($($(#[doc = $doc:literal])+ $name:ident = $text:literal: $($role:ident)+;)+) => {
        /// The permissions, each a type of its own.
        pub mod perm {
            use super::{Permission, Role};
            $(
                $(#[doc = $doc])+
                #[derive(Debug)]
                pub enum $name {}

                impl Permission for $name {
                    const NAME: &'static str = $text;
                    const ROLES: &'static [Role] = &[$(Role::$role),+];
                }
            )+
        }

        /// All rows, for documentation and tests.
        #[must_use]
        pub fn table() -> Vec<Row> {
            vec![$(Row { name: $text, words: concat!($($doc),+).trim_ascii(), roles: perm::$name::ROLES }),+]
        }
    };
}

permissions! {
    /// Look at customers.
    ReadCustomers = "read-customers": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Add, change and retire customers.
    WriteCustomers = "write-customers": Owner Office;
    /// Look at sites.
    ReadSites = "read-sites": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Add, change and retire sites.
    WriteSites = "write-sites": Owner Office;
    /// Look at units and where they stand.
    ReadUnits = "read-units": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Keep lists of installed units, each one's own.
    KeepLists = "keep-lists": Owner Office Technician;
    /// Add, change, place and retire units.
    WriteUnits = "write-units": Owner Office;
    /// Look at the parts fitted.
    ReadComponents = "read-components": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Fit, change and take out parts.
    WriteComponents = "write-components": Owner Office Technician;
    /// Look at recurring work and what is due.
    ReadRoutines = "read-routines": Owner Office Technician Client;
    /// Add, change and retire recurring work.
    WriteRoutines = "write-routines": Owner Office;
    /// Note down that recurring work was done.
    DoRoutines = "do-routines": Owner Office Technician;
    /// Set how far probes may be off, and how well bills have to fit.
    WriteLimits = "write-limits": Owner Office;
    /// Look at meters.
    ReadMeters = "read-meters": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Add, change, attach and retire meters.
    WriteMeters = "write-meters": Owner Office Technician;
    /// Look at readings.
    ReadReadings = "read-readings": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Enter readings.
    WriteReadings = "write-readings": Owner Office Technician CustomerReader Client;
    /// Look at what was measured, counted and declared at units and sites.
    ReadMeasures = "read-measures": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Note down gauges; a customer's people levels only.
    WriteGauges = "write-gauges": Owner Office Technician CustomerReader Client;
    /// Note down washes.
    WriteTallies = "write-tallies": Owner Office Technician CustomerReader Client;
    /// Note down what else is measured at units and sites.
    WriteMeasures = "write-measures": Owner Office Technician Client;
    /// Declare losses and how wash volume is derived.
    WriteDeclared = "write-declared": Owner Office;
    /// Rule on reading exceptions, and set readings right.
    RuleReadings = "rule-readings": Owner Office Technician;
    /// Look at what is the matter with meters and units.
    ReadFindings = "read-findings": Owner Office Technician Client;
    /// Look at water accounts, tariffs, bills, baselines and cost terms.
    ReadAccounts = "read-accounts": Owner Office CustomerViewer CustomerReader Client;
    /// Add and change them.
    WriteAccounts = "write-accounts": Owner Office;
    /// Look at purchase prices and what serving costs the dealer.
    ReadCostToServe = "read-cost-to-serve": Owner Office;
    /// Add and withdraw prices.
    WritePrices = "write-prices": Owner Office;
    /// Look at what was done at units and at process upsets; customers without internal notes and lines.
    ReadService = "read-service": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Record what was done at units, and process upsets.
    WriteService = "write-service": Owner Office Technician;
    /// Look at call-outs; customers at their own, without internal words.
    ReadCallOuts = "read-call-outs": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Open a call-out.
    OpenCallOuts = "open-call-outs": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Record the steps of a call-out and what is said of it.
    WorkCallOuts = "work-call-outs": Owner Office Technician;
    /// Look at what call-outs come to.
    SumCallOuts = "sum-call-outs": Owner Office;
    /// Look at planned visits and one's own calendar feeds.
    ReadVisits = "read-visits": Owner Office Technician;
    /// Plan, move, make and call off visits, and make calendar feeds.
    WriteVisits = "write-visits": Owner Office Technician;
    /// Look at agreements.
    ReadAgreements = "read-agreements": Owner Office CustomerViewer CustomerReader Client;
    /// Add and change agreements, and look at what was used of them.
    WriteAgreements = "write-agreements": Owner Office;
    /// Look at warranty cover; customers at what the dealer gives them.
    ReadCovers = "read-covers": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Add and change warranty cover, and claims on suppliers.
    WriteCovers = "write-covers": Owner Office;
    /// Have the figures counted at once, and look when they were.
    RunNight = "run-night": Owner Office;
    /// Look at water figures.
    ReadWater = "read-water": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Look at savings reports.
    ReadReports = "read-reports": Owner Office CustomerViewer CustomerReader Client;
    /// Issue savings reports, decide on their revisions, answer questions, and set the rule.
    IssueReports = "issue-reports": Owner Office;
    /// Look at where a customer's figures are mailed each month; customers at their own.
    ReadMonthlyFiles = "read-monthly-files": Owner Office CustomerViewer CustomerReader;
    /// Say where a customer's figures are mailed each month; customers of their own.
    WriteMonthlyFiles = "write-monthly-files": Owner Office CustomerViewer CustomerReader;
    /// Ask about savings reports.
    AskReports = "ask-reports": Owner Office CustomerViewer CustomerReader;
    /// Look at which readings are due.
    ReadDue = "read-due": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Ask people for readings, and see who was asked.
    AskReadings = "ask-readings": Owner Office Technician;
    /// Say when people are reminded.
    WriteReminders = "write-reminders": Owner Office;
    /// Look at the sheets of a round.
    ReadRounds = "read-rounds": Owner Office Technician;
    /// Look at files.
    ReadFiles = "read-files": Owner Office Technician CustomerViewer CustomerReader Client;
    /// Send files.
    WriteFiles = "write-files": Owner Office Technician CustomerReader;
    /// Look at consumables, stock, kits, and what runs out.
    ReadStock = "read-stock": Owner Office Technician Client;
    /// Write down stock movements, lots, and what is kept for visits.
    WriteStock = "write-stock": Owner Office Technician;
    /// Add, change and retire consumables, places and kits.
    WriteItems = "write-items": Owner Office;
    /// Look at purchase and selling prices of consumables.
    ReadPrices = "read-prices": Owner Office;
    /// Look at units at risk and how forecasts turned out.
    ReadRisk = "read-risk": Owner Office Technician Client;
    /// Say what failures cost.
    WriteRisk = "write-risk": Owner Office;
    /// Lend other dealers counts of lives of parts, and be lent theirs.
    LendLives = "lend-lives": Owner;
    /// Open risk to customers.
    ShareRisk = "share-risk": Owner Office;
    /// Look at risk that is opened to a customer; customers at their own.
    ReadSharedRisk = "read-shared-risk": Owner Office CustomerViewer CustomerReader Client;
    /// Follow what changes, of all kinds of record; customers what is theirs.
    ReadChanges = "read-changes": Owner Office CustomerViewer CustomerReader Client;
    /// Look at who did what.
    ReadAudit = "read-audit": Owner;
    /// Look at webhook endpoints and what was delivered.
    ReadWebhooks = "read-webhooks": Owner Office;
    /// Add, change, try and retire webhook endpoints, and send again.
    WriteWebhooks = "write-webhooks": Owner Office;
    /// Make, limit and end API clients, and give them secrets.
    ManageClients = "manage-clients": Owner;
    /// Look at and hand out links to a site's discharge and hauling log.
    ShareDischarge = "share-discharge": Owner Office;
    /// Look at the dealer's people, invitations, and what is asked of sign-ins.
    ReadPeople = "read-people": Owner;
    /// Invite people, change and end what they may do, and say what is asked of sign-ins.
    WritePeople = "write-people": Owner;
    /// Change one's own password and second factor, and end one's own sign-ins.
    WriteSelf = "write-self": Owner Office Technician CustomerViewer CustomerReader;
    /// Look at oneself.
    ReadSelf = "read-self": Owner Office Technician CustomerViewer CustomerReader;
}
