"""What a small team of ten simulated meters has beside its meters: riders, races, prices."""

SEASON_TABLES = {
    "assignments": """meter_id,from_date,to_date,rider_id,bike_id,role
M0001,2023-02-01,2024-03-09,Ada,B1,race
M0002,2024-03-10,,Ada,B1,race
M0001,2024-03-10,,Bo,B2,training
M0010,2023-02-01,,Bo,B3,race
M0006,2023-02-01,,Cy,B4,race
""",
    "riders": "rider_id,coach,from_date\nAda,Halina,2023-02-01\nBo,Bertil,2023-02-01\n",
    "calendar": """name,from_date,to_date,kind,priority,rider_id
Lake race,2024-08-02,2024-08-02,race,A,Bo
Autumn tour,2024-10-05,2024-10-09,race,B,
Winter rest,2024-12-23,2025-01-01,closed,,
""",
    "capacity": "from_date,to_date,slots\n2024-08-01,2025-02-28,1\n",
    "costs": """item,model_group,unit_cost,currency
bench_session,,40,EUR
out_of_tolerance_day,,15,EUR
battery,,3,EUR
replacement,,500,EUR
""",
    "efforts": "rider_id,date,watts,duration_s,meter_id,kind\nBo,2024-07-20,300,1200,M0010,field\n",
}
