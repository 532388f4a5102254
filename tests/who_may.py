"""Who may do what, written down by hand: the only list of it that the tests believe.

From DESIGN 1, 3 and 8 and the trade's habits: everybody looks at what grows and stands; who does
a job tells it; the manager sets up; the food-safety lead alone lets go; a learner records what is
grown, cut and packed, and neither sprays, lets go, approves nor signs; a chef is tied to one
outlet and sees its own deliveries, and no money at all.

A row says what, then who. `roles` are all seven; `signed in` is whoever has a name and a
password, with a role or without; `anybody` needs not even that. A superuser may whatever somebody
may; `superuser` alone is a row for nobody else, and `none` is for nobody at all.
"""

from __future__ import annotations

ROLES = ("grower", "packer", "chef", "shop", "manager", "lead", "learner")

# --- entries: do/<kind>/, sheets/<kind>/, api/v1/acts/<kind>/ ---------------------------------

KINDS = """
    sow check_germination lose_plants move_plants transplant   | grower learner manager lead
    clear opening_entry fill top_up dose drain_and_clean feed  | grower learner manager lead
    test_water                                                 | grower learner manager lead
    treat cancel correct_weight                                | grower manager lead
    correct_origin                                             | manager lead
    release clear_origin                                       | lead
    countersign                              | grower packer chef shop manager lead
    harvest                                                    | grower learner chef manager lead
    receive_input receive_produce open_input finish_input      | grower learner packer manager lead
    lab_result                                   | grower packer manager lead
    print_tags hold describe pack rework deliver               | grower learner packer manager lead
    look_over weigh_packs print_labels spoil_labels            | grower learner packer manager lead
    relabel                                                    | grower packer manager lead
    move clean put_on_shelf                              | grower learner packer shop manager lead
    discard count check incident undo                          | roles
    sell sold_out mark_down                                    | shop manager lead
    use                                                        | chef manager lead
    receive return_goods come_without_note                     | chef shop manager lead
    issue_statement                                            | manager
    open_recall widen_recall narrow_recall close_recall close_mock | lead
    tell_authority approve_notices send_notice reply_recall put_right | manager lead
    complain                                                   | roles
"""

# --- tables: api/v1/<table>/ and the site's list, add, change, history and delete ---------------
# Whoever is tied to an outlet has the API, narrowed to that outlet, and the task pages; the site's
# tables are shut to them, one and all.

TABLES = """
    table              | in the API  | looked at by     | set up by                  | deleted by
    grow.crop          | crops       | roles            | manager                    | superuser
    grow.variety       | varieties   | roles            | grower manager             | superuser
    grow.cropcard      | crop-cards  | roles            | grower manager             | superuser
    grow.item          | inputs      | roles            | grower packer manager      | superuser
    grow.place         | places      | roles            | manager                    | superuser
    grow.plantsite     | plant-sites | roles            | grower manager             | superuser
    grow.thing         | things      | roles            | grower packer manager lead | superuser
    sales.product      | products    | roles            | manager                    | superuser
    sales.outlet       | outlets     | roles            | manager                    | superuser
    sales.labelstock   | label-stock | roles            | grower packer manager lead | superuser
    sales.printer      | printers    | roles            | grower packer manager lead | superuser
    sales.decisioncard | decision-cards | roles         | manager lead               | superuser
    sales.price        | prices      | all but the chef | manager                    | superuser
    sales.wanted       | wanted      | roles            | manager                    | superuser
    analytics.rate     | rates       | manager lead     | manager                    | superuser
    analytics.standarduse | standard-uses | manager lead | manager                   | superuser
    analytics.timedday | timed-days  | manager lead     | manager                    | superuser
    analytics.claim    | claims      | manager lead     | manager                    | superuser

    grow.business      | -           | roles            | manager                    | none
    grow.person        | people      | manager lead     | manager                    | superuser
    grow.signoff       | sign-offs   | manager lead     | manager lead               | superuser
    grow.device        | -           | manager lead     | manager                    | superuser

    grow.lot           | lots        | roles            | none                       | none
    grow.event         | events      | roles            | none                       | none
    grow.movement      | movements   | roles            | none                       | none
    grow.holding       | holdings    | roles            | none                       | none
    grow.lineage       | lineage     | roles            | none                       | none
    grow.hold          | holds       | roles            | none                       | none
    grow.flag          | flags       | roles            | none                       | none
    grow.tag           | tags        | roles            | none                       | none
    grow.labresult     | lab-results | roles            | none                       | none
    grow.seal          | seals       | manager lead     | none                       | none
    sales.packingrun   | runs        | roles            | none                       | none
    sales.deliverynote | notes       | roles            | none                       | none
    sales.money        | money       | manager lead     | none                       | none
    sales.statement    | statements  | manager lead     | none                       | none
    grow.tocountersign | -           | roles            | none                       | none
    grow.planting      | -           | roles            | none                       | none
    grow.feed          | -           | roles            | none                       | none
    grow.inuse         | -           | roles            | none                       | none
    grow.counted       | -           | roles            | none                       | none
    grow.unnamed       | -           | roles            | none                       | none
    grow.description   | -           | roles            | none                       | none

    auth.group         | -           | superuser        | superuser                  | superuser
    knox.authtoken     | -           | superuser        | superuser                  | superuser
"""
#: Of these the API only looks: people are set up where their passwords are.
LOOKED_AT_IN_API = {"people", "sign-offs"}
#: Rows that are lines of another page in the site.
NO_PAGE_OF_ITS_OWN = {"grow.cropcard"}
#: There is one business, and a device is made on the device itself.
NOT_ADDED_IN_SITE = {"grow.business", "grow.device"}

# --- the rest of the API ------------------------------------------------------------------------

API = """
    GET api                     | anybody
    GET schema                  | anybody
    POST token                  | anybody
    POST token-logout           | signed in
    GET tokens                  | signed in
    DELETE own-token            | signed in
    GET business                | signed in
    PATCH business              | manager
    POST photos                 | roles
    GET photo                   | roles
    GET stock                   | roles
    GET today                   | roles
    GET trace                   | roles
    GET epcis                   | manager lead
    GET evidence                | manager lead
    POST epcis-received         | grower learner packer manager lead
    GET common-cause            | manager lead
    GET morning                 | grower learner packer manager lead
    GET run-record              | roles
    GET run-weights             | roles
    POST towers                 | manager
    POST till-days              | shop manager lead
    GET statement               | manager lead
    GET recalls                 | manager lead
    GET recall                  | manager lead
    GET complaints              | roles
    GET books                   | manager lead
    POST run-scale-lines        | grower learner packer manager lead
    GET figures-yields          | grower manager
    GET figures-waste           | grower manager
    GET figures-margin          | grower manager
    GET figures-months          | grower manager
    GET figures-crops           | grower manager
    GET figures-lost            | grower manager
    GET figures-outlets         | manager
    GET figures-keep            | grower manager
    GET figures-space           | grower manager
    GET figures-ranking         | grower manager
    GET figures-month           | manager
    GET figures-winter          | grower manager
    GET figures-floor           | grower manager
"""

# --- the rest of the site, by the names of its addresses ----------------------------------------

PAGES = """
    login  logout                                              | anybody
    first_account                                              | none
    who  pin  who_next  who_still                              | anybody
    index  own_pin                                             | signed in
    password_change  password_change_done                      | signed in
    jsi18n                                                     | signed in
    stock  day  trace  sheets  run_record  stock_check         | roles
    laboratory                                                 | roles
    run_weights                                                | grower learner packer manager lead
    yields  waste  margin  thrown_away                         | grower manager
    crops  crop_rows  crop_ranking  keep  space                | grower manager
    winter  floor                                              | grower manager
    month  month_pdf                                           | manager
    statements  books  own_use  on_hand  common_cause          | manager lead
    seals  seal_pdf  seal_text  epcis  evidence                | manager lead
    epcis_in                                     | grower learner packer manager lead
    kitchen                                                    | chef manager lead
    countersign                                   | grower packer chef shop manager lead
    pack  pack_codes  morning                          | grower learner packer manager lead
    send  send_codes                              | grower learner packer shop manager lead
    notes  note  note_pdf                                      | roles
    goods_in  goods_without_note                               | chef shop manager lead
    goods_cut                                    | grower learner chef manager lead
    photograph                                                 | roles
    recalls  recall  recall_notices  tonight                   | manager lead
    recall_open                                                | lead
    labels  crate_tags  crate_labels  hold_labels              | grower packer manager lead
    shelf  closing_count                                 | grower learner packer shop manager lead
    till_file  reduced_labels                                  | shop manager lead
    shelf_cards  printers  printer                             | grower packer manager lead
    import  import_template  towers                            | manager
    first_steps  first_step                                    | manager
    shared_device  public_address                              | manager
    auth_user_password_change                                  | manager
"""
#: Outside the site, for whoever holds a pack: read only, and the same to everybody.
PUBLIC = """
    public_lot  public_link  public_trial                      | anybody
"""
#: By what is named in them: an act or sheet by its kind, an app or a field's choices by its table.
BY_WHAT_IS_NAMED = {"act", "sheet", "app_list", "autocomplete", "view_on_site"}
#: Before the site: no page of anybody's.
UNGUARDED = {"favicon.ico"}


def cells(table: str) -> list[list[str]]:
    """Rows of a table as its cells, without blank lines."""
    rows = [line.split("|") for line in table.splitlines() if line.strip()]
    return [[cell.strip() for cell in row] for row in rows]


def people(who: str) -> frozenset[str]:
    """Whom a cell means. Raises KeyError for a word that is no role."""
    if who == "none":
        return frozenset()
    if who == "anybody":
        return frozenset({*ROLES, "no role", "superuser", "nobody"})
    if who == "signed in":
        return frozenset({*ROLES, "no role", "superuser"})
    if who == "all but the chef":
        return frozenset({*ROLES, "superuser"}) - {"chef"}
    named = set(ROLES) if who == "roles" else set(who.split())
    if unknown := named - {*ROLES, "superuser"}:
        raise KeyError(f"no such role: {unknown}")
    return frozenset({*named, "superuser"})
