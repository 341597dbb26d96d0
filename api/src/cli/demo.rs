//! `weirbook demo`.

use super::night_run::{progress_bar, show};
use super::serve::serve_until_told;
use super::{Outcome, dealer};
use crate::auth::{Role, password};
use crate::config::Config;
use crate::db::Db;
use crate::db::gate::NewPerson;
use crate::demo::{self, Made, Size};
use crate::jobs::night_run;
use crate::launch;
use chrono::Utc;
use clap::Args;
use nix::fcntl::{Flock, FlockArg};
use serde::{Deserialize, Serialize};
use std::error::Error;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// How large, and where.
#[derive(Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Demo {
    /// Port to listen on; 0: any free one [default: that of --listen, 8080]
    #[arg(long)]
    port: Option<u16>,
    /// Units of the fleet
    #[arg(long, default_value_t = 48, value_parser = clap::value_parser!(u32).range(demo::UNITS))]
    units: u32,
    /// Months that it has been running
    #[arg(long, default_value_t = 14, value_parser = clap::value_parser!(u32).range(demo::MONTHS))]
    months: u32,
    /// Forget the demo made before and make it anew
    #[arg(long)]
    fresh: bool,
}

const EXAMPLES: &str = "The demo always runs a PostgreSQL of its own and leaves DATABASE_URL alone. \
Its data folder is /var/lib/weirbook-demo as root, else ~/.local/share/weirbook-demo.

Examples:
  weirbook demo                               make it, or go on with the one made before
  weirbook demo --port 0                      on any free port
  weirbook demo --fresh --units 96 --months 26";

/// Says in the data folder that a demo is being made there.
const BEGUN: &str = "demo-begun";
/// Says that it is complete, and how large it is.
const MADE: &str = "demo-made.json";
/// The address and the sign-ins.
const SIGN_INS: &str = "demo.json";

#[derive(Serialize, Deserialize)]
struct SignIns {
    url: String,
    people: Vec<Person>,
}

#[derive(Serialize, Deserialize)]
struct Person {
    role: String,
    email: String,
    password: String,
}

pub(super) async fn run(mut config: Config, demo: Demo) -> Outcome {
    let size = Size { units: usize::try_from(demo.units)?, months: demo.months };
    config.database_url = None;
    config.listen = free_address(config.listen, demo.port)?;
    config.public_url = format!("http://{}", config.listen);
    let complete = ready_folder(&config.data_dir, size, demo.fresh)?;
    let launched = launch::launch(&config).await?;
    let people =
        if complete { read_sign_ins(&config.data_dir)?.people } else { make(&launched.services.db, size).await? };
    let sign_ins = SignIns { url: config.public_url.clone(), people };
    write_private(&config.data_dir.join(SIGN_INS), &serde_json::to_string_pretty(&sign_ins)?)?;
    if !complete {
        write_private(&config.data_dir.join(MADE), &serde_json::to_string(&size)?)?;
    }
    serve_until_told(launched, &config, || print(&sign_ins, size, &config.data_dir)).await
}

/// The address to serve at: taken and let go again, so that a port in use is told before the
/// demo is made, and a free one is known by name.
fn free_address(listen: SocketAddr, port: Option<u16>) -> Result<SocketAddr, Box<dyn Error>> {
    let wanted = SocketAddr::new(listen.ip(), port.unwrap_or(listen.port()));
    let listener = TcpListener::bind(wanted)
        .map_err(|error| format!("{wanted} can't be listened on ({error}); try `weirbook demo --port 0`"))?;
    Ok(listener.local_addr()?)
}

/// Whether the folder holds the demo of that size; if not, it is ready for a new one.
fn ready_folder(folder: &Path, size: Size, fresh: bool) -> Result<bool, Box<dyn Error>> {
    let made: Option<Size> = match fs::read_to_string(folder.join(MADE)) {
        Ok(text) => Some(serde_json::from_str(&text)?),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(error.into()),
    };
    match made {
        Some(made) if !fresh && made == size => return Ok(true),
        Some(made) if !fresh => {
            let Size { units, months } = made;
            return Err(format!(
                "{} holds a demo of {units} units over {months} months; add --fresh to make another in its place",
                folder.display()
            )
            .into());
        }
        _ => {}
    }
    clear(folder)?;
    fs::create_dir_all(folder)?;
    fs::write(folder.join(BEGUN), "")?;
    Ok(false)
}

/// Removes what an earlier demo left; a database that no demo made stays.
fn clear(folder: &Path) -> Outcome {
    if !folder.join("pg").exists() {
        return Ok(());
    }
    if !folder.join(BEGUN).exists() {
        return Err(format!("{} holds a database that no demo made; give another --data-dir", folder.display()).into());
    }
    let lock = OpenOptions::new().create(true).truncate(false).write(true).open(folder.join("owner.lock"))?;
    let _held: Flock<File> = Flock::lock(lock, FlockArg::LockExclusiveNonblock)
        .map_err(|(_, _busy)| format!("{} is in use by another demo; stop that one first", folder.display()))?;
    for name in [MADE, SIGN_INS, "signing-key.pem"] {
        remove(fs::remove_file(folder.join(name)))?;
    }
    remove(fs::remove_dir_all(folder.join("pg")))?;
    Ok(())
}

fn remove(removed: io::Result<()>) -> io::Result<()> {
    match removed {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

async fn make(db: &Db, size: Size) -> Result<Vec<Person>, Box<dyn Error>> {
    let now = Utc::now();
    let bar = progress_bar("Storing readings");
    let made = demo::load(db, size, now, &|done, total| show(&bar, done, total)).await?;
    bar.finish_and_clear();
    let bar = progress_bar("Night run");
    let counts = night_run::run(db, made.dealer, now, &|done, total| show(&bar, done, total)).await?;
    bar.finish_and_clear();
    demo::live_on(db, &made, now).await?;
    tracing::info!(
        readings = made.readings,
        days = counts.days,
        reports = counts.reports,
        exceptions = counts.exceptions,
        "the demo is made"
    );
    add_people(db, &made).await
}

async fn add_people(db: &Db, made: &Made) -> Result<Vec<Person>, Box<dyn Error>> {
    let roles = [
        (Role::Owner, "Ines Amaral", false),
        (Role::Office, "Nuno Prates", false),
        (Role::Technician, "Tess Calder", false),
        (Role::CustomerViewer, "Walt Hargrove", true),
        (Role::CustomerReader, "Dana Whitlock", true),
    ];
    let mut people = Vec::new();
    for (role, name, of_customer) in roles {
        let password = dealer::first_password();
        let new = NewPerson {
            email: format!("{}@millrace.example", role.as_str().replace('_', "-")),
            name: name.to_owned(),
            password_hash: password::hash(&password)?,
            role,
            customer: of_customer.then_some(made.customer),
        };
        db.add_person(made.dealer, &new).await?;
        people.push(Person { role: role.as_str().to_owned(), email: new.email, password });
    }
    Ok(people)
}

fn read_sign_ins(folder: &Path) -> Result<SignIns, Box<dyn Error>> {
    let path = folder.join(SIGN_INS);
    let text = fs::read_to_string(&path)
        .map_err(|error| format!("{} can't be read ({error}); add --fresh", path.display()))?;
    Ok(serde_json::from_str(&text)?)
}

/// Writes a file that only its owner may read; whole, or not at all.
fn write_private(path: &Path, text: &str) -> io::Result<()> {
    let new = path.with_extension("new");
    remove(fs::remove_file(&new))?;
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&new)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    fs::rename(new, path)
}

fn print(sign_ins: &SignIns, size: Size, folder: &Path) {
    println!("\nWeirbook's demo is at {0}, its API described at {0}/docs\n\nSign in as", sign_ins.url);
    for Person { role, email, password } in &sign_ins.people {
        println!("  {role:16} {email:34} {password}");
    }
    println!("  (also in {})\n\nOdd cases to look at", folder.join(SIGN_INS).display());
    for case in demo::cases(size) {
        println!("  {:9} {:31} {}", case.unit, case.name, case.look_for);
    }
    println!("\nStop it with Ctrl-C.");
}
