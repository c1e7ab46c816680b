from .claims import sensor_excess as sensor_excess
from .claims import warranty_report as warranty_report
from .cost import budget_document as budget_document
from .documents import BudgetDocument as BudgetDocument
from .documents import GroupDue as GroupDue
from .documents import WarrantyReport as WarrantyReport
from .seasons_past import policy_record as policy_record
